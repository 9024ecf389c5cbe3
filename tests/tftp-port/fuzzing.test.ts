/** A hundred thousand datagrams to the door: what leaves, what stands on record, and that it goes on. */
import { expect, onTestFinished, test } from 'vitest'
import { imageBytes } from '../clients/served.ts'
import { openDoor, pull, type RawClient, rawClient, request } from './door.ts'
import { createRandom } from './virtual-network.ts'

const DATAGRAMS = 100_000
/** Sent at once: more would only be dropped by the system. */
const AT_ONCE = 100
const OPTIONS = ['blksize', 'BLKSIZE', 'tsize', 'timeout', 'windowsize', 'multicast', '', 'x'.repeat(60)]
const VALUES = ['0', '1', '8', '512', '1468', '65464', '65536', '-1', '1e3', '', '99999999999', 'x']
const NAMES = [
  'desk.bin',
  '/desk.bin',
  'other.bin',
  '../../etc/passwd',
  '',
  '%00',
  'ä',
  'a'.repeat(400),
  'SHA256SUMS',
]
const MODES = ['octet', 'OCTET', 'netascii', 'mail', '']

type Random = () => number
const one = <T>(random: Random, of: readonly T[]): T => of[Math.floor(random() * of.length)] as T
const bytes = (random: Random, most: number): Buffer =>
  Buffer.from(Array.from({ length: Math.floor(random() * most) }, () => Math.floor(random() * 256)))

function datagram(random: Random): Buffer {
  const kind = random()
  if (kind < 0.2) return bytes(random, 700)
  if (kind < 0.4) return Buffer.concat([Buffer.from([0, Math.floor(random() * 9)]), bytes(random, 40)])
  const options = Object.fromEntries(
    Array.from({ length: Math.floor(random() * 5) }, () => [one(random, OPTIONS), one(random, VALUES)]),
  )
  const asked = request(one(random, NAMES), options, one(random, MODES), random() < 0.9 ? 1 : 2)
  if (random() < 0.7) return asked
  const changed = Buffer.from(asked.subarray(0, Math.ceil(random() * asked.length)))
  changed[Math.floor(random() * changed.length)] = Math.floor(random() * 256)
  return changed
}

/** What may leave to an address that has not answered. */
function isKnown({ bytes: packet }: { bytes: Buffer }): boolean {
  if (packet[1] === 3) return packet.length <= 516 && packet.readUInt16BE(2) === 1
  if (packet[1] === 5) return packet.length < 100 && /^[\x20-\x7e]+\0$/.test(packet.toString('latin1', 4))
  return packet[1] === 6 && packet.length < 100
}

test('nothing beyond the catalogue leaves, the record stays small, and the door goes on', async () => {
  const door = await openDoor({ 'desk.bin': imageBytes(5_000) }, onTestFinished, { list: true })
  const random = createRandom(17)
  const clients = await Promise.all(Array.from({ length: 20 }, () => rawClient(onTestFinished)))
  const control = await rawClient(onTestFinished)
  for (let sent = 0; sent < DATAGRAMS; sent += AT_ONCE) {
    for (let at = 0; at < AT_ONCE; at += 1) one(random, clients).send(datagram(random), door.port)
    await answered(control, door.port)
  }
  expect(door.faults).toEqual([])
  const came = clients.flatMap((client) => client.came)
  expect(came.length).toBeGreaterThan(1_000)
  expect(
    came.filter((packet) => !isKnown(packet)).map(({ bytes: packet }) => packet.toString('hex', 0, 40)),
  ).toEqual([])
  // Of one transfer, which has a port of its own, five at most; a port may be used a second time.
  for (const client of clients) {
    const counts = new Map<number, number>()
    for (const { port } of client.came) if (port !== door.port) counts.set(port, (counts.get(port) ?? 0) + 1)
    expect(Math.max(0, ...counts.values())).toBeLessThanOrEqual(10)
  }
  expect(door.entries.filter(({ kind }) => kind === 'fetch-refused').length).toBeLessThan(20_000)
  expect((await pull(door, 'desk.bin')).done).toBe(true)
}, 300_000)

/** What was sent before has been read by then. */
async function answered(control: RawClient, port: number): Promise<void> {
  control.send(request('absent.bin'), port)
  expect((await control.next()).bytes[1]).toBe(5)
}
