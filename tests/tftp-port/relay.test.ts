/**
 * Transfers through loss, delay, duplication and reordering, in virtual time. What must hold whatever the weather: no
 * wrong byte, no `delivered` that the client does not hold whole, and `delivered` wherever its last acknowledgement came.
 */
import { expect, test } from 'vitest'
import type { Option } from '../../server/tftp-port/packets.ts'
import { type Play, type Played, playTransfer } from './played-transfer.ts'
import { createRandom } from './virtual-network.ts'

function optionsOf(random: () => number): Option[] {
  const options: Option[] = []
  if (random() < 0.7)
    options.push({ name: 'blksize', value: String([8, 128, 512, 1468][Math.floor(random() * 4)]) })
  if (random() < 0.5) options.push({ name: 'windowsize', value: String(1 + Math.floor(random() * 20)) })
  if (random() < 0.2) options.push({ name: 'timeout', value: String(1 + Math.floor(random() * 3)) })
  if (random() < 0.5) options.push({ name: 'tsize', value: '0' })
  return options
}

/** Empty, one byte short of a block, a block exactly, one byte over, and some hundred blocks. */
function bytesOf(random: () => number, options: readonly Option[]): number {
  const block = Number(options.find(({ name }) => name === 'blksize')?.value ?? 512)
  const choices = [0, 1, block - 1, block, block + 1, 2 * block, Math.floor(random() * 300 * block)]
  return choices[Math.floor(random() * choices.length)] ?? 0
}

function playOf(seed: number): Play {
  const random = createRandom(seed)
  const options = optionsOf(random)
  return {
    seed,
    options,
    bytes: bytesOf(random, options),
    weather: {
      lost: random() * 0.2,
      doubled: random() * 0.2,
      late: random() * 0.2,
      delayMs: random() * 100,
    },
  }
}

function faultsOf(play: Play, { end, client, image, lastAckArrived, unprovedBytes }: Played): string[] {
  const { ending } = end.state
  const received = client.received()
  const faults: string[] = []
  if (!received.equals(image.subarray(0, received.length))) faults.push('wrong bytes')
  if (client.done && received.length !== image.length) faults.push('the client thinks that it is done')
  if (ending === 'delivered' && !client.done) faults.push('a false delivered')
  if (lastAckArrived !== (ending === 'delivered'))
    faults.push(`last ACK arrived: ${lastAckArrived}, ${ending}`)
  if (ending === 'unconfirmed' && end.bytesHandedOver !== image.length)
    faults.push('unconfirmed, but not all sent')
  if (unprovedBytes.length > 5 || unprovedBytes.some((bytes) => bytes > 516))
    faults.push('too much before an answer')
  return faults.map((fault) => `seed ${play.seed} (${JSON.stringify(play)}): ${fault}`)
}

test('2,000 transfers through loss, delay, duplication and reordering of up to 20 % each', async () => {
  const faults: string[] = []
  const endings = new Map<string, number>()
  for (let seed = 1; seed <= 2_000; seed += 1) {
    const play = playOf(seed)
    const played = await playTransfer(play)
    faults.push(...faultsOf(play, played))
    const ending = played.end.state.ending ?? ''
    endings.set(ending, (endings.get(ending) ?? 0) + 1)
  }
  expect(faults).toEqual([])
  // Something was put to the test: most arrive, and some lose their last acknowledgement.
  expect(endings.get('delivered')).toBeGreaterThan(1_800)
  expect(endings.get('unconfirmed')).toBeGreaterThan(5)
}, 240_000)

test('20 transfers whose block numbers wrap past 65,535', async () => {
  const faults: string[] = []
  for (let seed = 1; seed <= 20; seed += 1) {
    const random = createRandom(seed)
    const options = [
      { name: 'blksize', value: '8' },
      { name: 'windowsize', value: String([1, 4, 16, 64][seed % 4]) },
    ]
    const [lost, doubled, late] = [random() * 0.01, random() * 0.01, random() * 0.01]
    const weather = { lost, doubled, late, delayMs: random() }
    const play: Play = { seed, options, bytes: 65_536 * 8 + Math.floor(random() * 64), weather }
    const played = await playTransfer(play)
    expect(played.client.received().length).toBe(play.bytes)
    faults.push(...faultsOf(play, played))
  }
  expect(faults).toEqual([])
}, 240_000)

test('without weather nothing is sent twice, whatever the window', async () => {
  const weather = { lost: 0, doubled: 0, late: 0, delayMs: 3 }
  for (const windowsize of ['1', '7', '64']) {
    const options = [{ name: 'windowsize', value: windowsize }]
    const { end, sent, client, image } = await playTransfer({ seed: 3, bytes: 100_000, options, weather })
    expect(client.received().equals(image)).toBe(true)
    expect(end.resent).toBe(0)
    expect(sent).toBe(1 + Math.floor(100_000 / 512) + 1)
  }
})

test('acknowledgements that come twice make no block come twice (the sorcerer’s apprentice)', async () => {
  const weather = { lost: 0, doubled: 1, late: 0.5, delayMs: 3 }
  const { end, sent } = await playTransfer({ seed: 4, bytes: 200 * 512, options: [], weather })
  expect(end.state.ending).toBe('delivered')
  expect(end.resent).toBe(0)
  expect(sent).toBe(201)
})
