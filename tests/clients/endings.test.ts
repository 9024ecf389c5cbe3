/** How a fetch ended, by the server's entries, against what the client itself has counted. */
import { spawn } from 'node:child_process'
import { once } from 'node:events'
import { statSync } from 'node:fs'
import { join } from 'node:path'
import { setTimeout as pause } from 'node:timers/promises'
import { beforeAll, describe, expect, onTestFinished, test } from 'vitest'
import type { EntryOf } from '../../server/ledger/entries.ts'
import { audit } from '../commands/in-process.ts'
import { needs } from '../needs.ts'
import { layCable } from './network-cable.ts'
import { ask, connectRaw, type RawClient, request } from './raw-client.ts'
import {
  imageBytes,
  ledgerEntries,
  type ServedProgram,
  serveFiles,
  serveFolder,
  sha256,
  stagingFolder,
  untilAllDone,
} from './served.ts'
import { QUEUES_SHOWN, untilHeldBySystem } from './socket-queues.ts'

const KIB = 1024
const MIB = 1024 * KIB
const PART = 100 * KIB
const LARGE = 32 * MIB

const IMAGES = {
  'small.bin': imageBytes(100 * KIB, 'small'),
  'middle.bin': imageBytes(2 * MIB, 'middle'),
  // More than all buffers between server and client hold.
  'large.bin': imageBytes(LARGE, 'large'),
}
type Name = keyof typeof IMAGES
const NAMES = Object.keys(IMAGES) as Name[]

/** Waits as in the field; bears a pause of SHORT_MS only; waits for the client's close for SHORT_MS only. */
let patient: ServedProgram
let pauseShort: ServedProgram
let lingerShort: ServedProgram
const SHORT_MS = 900

const whenAllDone = untilAllDone()

beforeAll(async () => {
  const limits = [[], ['--pause-ms', String(SHORT_MS)], ['--linger-ms', String(SHORT_MS)]]
  const all = await Promise.all(
    limits.map(async (flags) => {
      const served = await serveFolder(await stagingFolder(IMAGES, whenAllDone), {
        cleanUp: whenAllDone,
        flags,
      })
      await Promise.all(NAMES.map((name) => served.image(name)))
      return served
    }),
  )
  ;[patient, pauseShort, lingerShort] = all as [ServedProgram, ServedProgram, ServedProgram]
}, 60_000)

/** The ending of this client's fetch, once the rule that holds for every ending has been checked. */
async function endingOf(
  served: ServedProgram,
  client: RawClient,
  name: Name,
): Promise<EntryOf<'fetch-ended'>> {
  const begun = await served.begun(client.port)
  expect(begun).toMatchObject({ promised: IMAGES[name].length, status: 200, first: 0 })
  expect(begun.image?.sha256).toBe(sha256(IMAGES[name]))
  const ended = await served.ended(client.port)
  expect(ended.bytesHandedOver).toBeGreaterThanOrEqual(client.bodyBytes)
  expect(ended.bytesHandedOver).toBeLessThanOrEqual(begun.promised)
  expect(client.bodySha256()).toBe(sha256(IMAGES[name].subarray(0, client.bodyBytes)))
  if (client.bodyBytes < begun.promised) expect(ended.ending).not.toBe('delivered')
  return ended
}

/** All handed over to the system and nobody closed: unconfirmed. Else it was we who reset, and why is said. */
function expectNoProgress({ ending, bytesHandedOver, reason }: EntryOf<'fetch-ended'>, name: Name): void {
  if (name === 'large.bin') expect(bytesHandedOver).toBeLessThan(IMAGES[name].length)
  expect(['cut', 'withdrawn', 'unconfirmed']).toContain(ending)
  // The last piece may be counted as handed over and still wait in the server when its patience ends.
  if (ending === 'unconfirmed') expect(bytesHandedOver).toBe(IMAGES[name].length)
  if (ending === 'cut') expect(bytesHandedOver).toBeLessThan(IMAGES[name].length)
  expect(reason ?? '').not.toBe('')
}

async function fetchOf(served: ServedProgram, name: Name, lines: string[] = []): Promise<RawClient> {
  const client = await ask(served.port, `/${name}`, { lines })
  onTestFinished(() => client.reset())
  await client.head()
  return client
}

describe.each(NAMES)('%s', (name) => {
  const bytes = IMAGES[name].length

  test('a client that reads everything and closes in order has it delivered', async () => {
    const client = await fetchOf(patient, name)
    expect(await client.readToEnd()).toBe('closed')
    await client.close()
    expect(client.bodyBytes).toBe(bytes)
    expect(await endingOf(patient, client, name)).toMatchObject({
      ending: 'delivered',
      bytesHandedOver: bytes,
    })
  })

  test(
    'a client that half-closes after its request gets every byte, and stays unconfirmed',
    needs('POSIX'),
    async () => {
      const client = await connectRaw(patient.port)
      onTestFinished(() => client.reset())
      // Both are there before the server looks: had it handed over everything in between, the close would be one in order.
      onTestFinished(() => void patient.process.kill('SIGCONT'))
      patient.process.kill('SIGSTOP')
      client.send(request(`/${name}`))
      await client.halfClose()
      patient.process.kill('SIGCONT')
      expect(await client.readToEnd()).toBe('closed')
      expect(client.bodyBytes).toBe(bytes)
      expect(client.bodySha256()).toBe(sha256(IMAGES[name]))
      const ended = await endingOf(patient, client, name)
      expect(ended).toMatchObject({ ending: 'unconfirmed', bytesHandedOver: bytes })
      if (QUEUES_SHOWN) expect(ended.acknowledged).toBe(true)
    },
  )

  test('a client that pauses now and then, shorter than it may, and goes on has it delivered', async () => {
    const client = await fetchOf(pauseShort, name)
    for (const part of [0.1, 0.5, 0.9]) {
      await client.readBody(Math.floor(bytes * part))
      await pause(SHORT_MS / 3)
    }
    expect(await client.readToEnd()).toBe('closed')
    await client.close()
    expect(client.bodyBytes).toBe(bytes)
    expect((await endingOf(pauseShort, client, name)).ending).toBe('delivered')
  })

  test('a client that reads everything and does not close is unconfirmed when the wait is over', async () => {
    const client = await fetchOf(lingerShort, name)
    await client.readBody(bytes)
    const ended = await endingOf(lingerShort, client, name)
    expect(ended).toMatchObject({ ending: 'unconfirmed', bytesHandedOver: bytes })
    expect(ended.durationMs).toBeGreaterThanOrEqual(SHORT_MS)
  })

  test('a client that reads everything and then resets is late in resetting, not delivered', async () => {
    const client = await fetchOf(patient, name)
    await client.readBody(bytes)
    await client.reset()
    expect(client.bodyBytes).toBe(bytes)
    expect(await endingOf(patient, client, name)).toMatchObject({
      ending: 'reset-late',
      bytesHandedOver: bytes,
    })
  })

  test('a client that reads everything, sends stray bytes and resets is never delivered', async () => {
    for (let turn = 0; turn < 8; turn += 1) {
      const client = await ask(patient.port, `/${name}`)
      await client.readBody(IMAGES[name].length)
      // After the server has seen that all was acknowledged.
      await pause(turn * 5)
      client.send('stray')
      await client.reset()
      expect((await patient.ended(client.port)).ending).not.toBe('delivered')
    }
  })

  test('a client that stops reading and keeps still is never delivered', async () => {
    const served = name === 'large.bin' ? pauseShort : lingerShort
    const client = await fetchOf(served, name)
    await client.readBody(bytes / 20)
    const ended = await endingOf(served, client, name)
    // The client's own system takes 100 KB whole, read or not: acknowledged, and no more than that.
    expect(ended.acknowledged ?? false).toBe(name === 'small.bin')
    expectNoProgress(ended, name)
    // What is left comes to a bad end: no client may take a short body for the whole.
    if (ended.bytesHandedOver < bytes) expect(await client.readToEnd()).toBe('reset')
  })

  test('HEAD is headers only, whatever the client does afterwards', async () => {
    const client = await ask(patient.port, `/${name}`, { method: 'HEAD', lines: ['Connection: close'] })
    expect((await client.head()).field('content-length')).toBe(String(bytes))
    expect(await client.readToEnd()).toBe('closed')
    await client.close()
    expect(client.bodyBytes).toBe(0)
    expect(await patient.begun(client.port)).toMatchObject({ promised: 0, method: 'HEAD', status: 200 })
    expect(await patient.ended(client.port)).toMatchObject({ ending: 'headers-only', bytesHandedOver: 0 })
  })
})

test('100 KB of 2 MiB read, the rest in the system, then a reset: reset-late', needs('Linux'), async () => {
  const client = await fetchOf(patient, 'middle.bin')
  await client.readBody(PART)
  await untilHeldBySystem(patient.port, client.port, IMAGES['middle.bin'].length - client.bodyBytes)
  await client.reset()
  const ended = await endingOf(patient, client, 'middle.bin')
  expect(ended).toMatchObject({ ending: 'reset-late', bytesHandedOver: 2 * MIB })
  expect(client.bodyBytes).toBeLessThan(PART + 16 * KIB)
})

test('100 KB of 32 MiB read, then a reset: cut', async () => {
  const client = await fetchOf(patient, 'large.bin')
  await client.readBody(PART)
  await client.reset()
  const ended = await endingOf(patient, client, 'large.bin')
  expect(ended.ending).toBe('cut')
  expect(ended.bytesHandedOver).toBeLessThan(LARGE)
})

test('no byte of 100 KB read, then a reset: reset-late', async () => {
  const client = await connectRaw(patient.port)
  client.socket.pause()
  client.send(request('/small.bin'))
  await patient.begun(client.port)
  if (QUEUES_SHOWN) await untilHeldBySystem(patient.port, client.port, IMAGES['small.bin'].length)
  await client.reset()
  expect((await endingOf(patient, client, 'small.bin')).ending).toBe('reset-late')
})

test.each(NAMES)('%s: part of it read, half-closed, then reset: never delivered', async (name) => {
  const client = await fetchOf(patient, name)
  await client.readBody(Math.min(PART, IMAGES[name].length / 2))
  await client.halfClose()
  await client.reset()
  const ended = await endingOf(patient, client, name)
  expect(['cut', 'reset-late', 'unconfirmed']).toContain(ended.ending)
  expect(ended.acknowledged).not.toBe(true)
  if (name === 'large.bin') expect(ended.ending).toBe('cut')
})

test.each(NAMES)('%s: part of it read, then close(2) with the rest unread: never delivered', async (name) => {
  const client = await fetchOf(patient, name)
  await client.readBody(Math.min(PART, IMAGES[name].length / 2))
  await client.close()
  const ended = await endingOf(patient, client, name)
  // The system may have the last piece, or be about to say so, when the reset comes (`bytesHandedOver` is an upper bound).
  const all = ended.bytesHandedOver === IMAGES[name].length
  expect(all ? ['cut', 'reset-late'] : ['cut']).toContain(ended.ending)
})

test.each([
  ['closes with its last unread byte in its own system', 'close'],
  ['resets with its last unread byte in its own system', 'reset'],
] as const)('a client that holds all but the tail and %s is not delivered', async (_what, way) => {
  const client = await fetchOf(patient, 'middle.bin')
  await client.readBody(2 * MIB - 20 * KIB)
  if (QUEUES_SHOWN) await untilHeldBySystem(patient.port, client.port, 2 * MIB - client.bodyBytes)
  await client[way]()
  expect(client.bodyBytes).toBeLessThan(2 * MIB)
  const ended = await endingOf(patient, client, 'middle.bin')
  if (QUEUES_SHOWN) expect(ended.ending).toBe('reset-late')
})

test('forty clients at once, each with its own end, are each told by its own entry', async () => {
  const clients = await Promise.all(
    Array.from({ length: 40 }, async (_none, index) => {
      const client = await fetchOf(patient, 'middle.bin')
      await client.readBody(PART)
      if (index % 2 === 0) await client.reset()
      else if ((await client.readToEnd()) === 'closed') await client.close()
      return client
    }),
  )
  for (const [index, client] of clients.entries()) {
    const ended = await endingOf(patient, client, 'middle.bin')
    if (index % 2 === 1) expect(ended.ending).toBe('delivered')
  }
})

test('told to stop twice, the server resets what is under way and says so', async () => {
  const served = await serveFiles({ 'large.bin': IMAGES['large.bin'] }, { cleanUp: onTestFinished })
  const client = await fetchOf(served, 'large.bin')
  await client.readBody(PART)
  expect(await served.stop(300)).toBe(0)
  expect(await client.readToEnd()).toBe('reset')
  const ended = await endingOf(served, client, 'large.bin')
  expect(ended.ending).toBe('withdrawn')
  expect(ended.reason ?? '').not.toBe('')
  expect(served.entries.at(-1)?.kind).toBe('closed')
})

test('told to stop as soon as it listens, it closes its ledger', async () => {
  const folder = await stagingFolder({ 'small.bin': IMAGES['small.bin'] }, onTestFinished)
  const served = await serveFolder(folder, { cleanUp: onTestFinished })
  expect(await served.stop()).toBe(0)
  expect(ledgerEntries(folder).at(-1)?.kind).toBe('closed')
})

test.each([5, 60])('told to stop again %d ms later, it still closes its ledger', async (againMs) => {
  const served = await serveFiles({ 'small.bin': IMAGES['small.bin'] }, { cleanUp: onTestFinished })
  expect(await served.stop(againMs)).toBe(0)
  expect(ledgerEntries(served.folder).at(-1)?.kind).toBe('closed')
})

test('told to stop once, the server lets the fetch under way come to its end', async () => {
  const served = await serveFiles({ 'large.bin': IMAGES['large.bin'] }, { cleanUp: onTestFinished })
  const client = await fetchOf(served, 'large.bin')
  await client.readBody(PART)
  const stopped = served.stop()
  expect(await client.readToEnd()).toBe('closed')
  await client.close()
  expect(await stopped).toBe(0)
  expect(client.bodySha256()).toBe(sha256(IMAGES['large.bin']))
  expect((await endingOf(served, client, 'large.bin')).ending).toBe('delivered')
})

test('standard output is the ledger, entry by entry', async () => {
  const served = await serveFiles({ 'small.bin': IMAGES['small.bin'] }, { cleanUp: onTestFinished })
  const client = await fetchOf(served, 'small.bin')
  await client.readToEnd()
  await client.close()
  await served.ended(client.port)
  expect(await served.stop()).toBe(0)
  expect(served.otherLines).toEqual([])
  const { ledger } = await audit(served.folder)
  expect(served.entries.map(({ seq }) => seq)).toEqual(
    Array.from({ length: ledger.entries }, (_none, index) => index + 1),
  )
  expect(served.entries.at(-1)?.sum).toBe(ledger.head)
})

describe('with a cable that is pulled', needs('network namespaces', 'curl'), () => {
  test.each(NAMES)('%s: mid-transfer it is never delivered', async (name) => {
    const { served, curl, held, cable } = await overCable(name, ['--pause-ms', '1500', '--linger-ms', '1500'])
    await held(name === 'small.bin' ? 5000 : IMAGES[name].length / 20)
    // What fits into the client's own system could be read to its end before the cable is out: it sleeps instead.
    if (name === 'middle.bin') curl.kill('SIGSTOP')
    await cable.pull()
    expect(served.entries.filter(({ kind }) => kind === 'fetch-ended')).toEqual([])
    const ended = await served.entry('fetch-ended')
    curl.kill('SIGKILL')
    if (curl.exitCode === null && curl.signalCode === null) await once(curl, 'close')
    expectNoProgress(ended, name)
    const holds = await held(0)
    expect(holds).toBeLessThan(IMAGES[name].length)
    expect(ended.bytesHandedOver).toBeGreaterThanOrEqual(holds)
  })

  test('and plugged in again in time, it goes on and is delivered', async () => {
    const { served, curl, held, cable } = await overCable('middle.bin', [])
    await held(100 * KIB)
    await cable.pull()
    await pause(300)
    await cable.plugIn()
    const ended = await served.entry('fetch-ended')
    if (curl.exitCode === null) await once(curl, 'close')
    expect(curl.exitCode).toBe(0)
    expect(await held(2 * MIB)).toBe(2 * MIB)
    expect(ended).toMatchObject({ ending: 'delivered', bytesHandedOver: 2 * MIB })
  })

  /** A server at one end of a cable, and at the other a client that takes its time for the image. */
  async function overCable(name: Name, flags: readonly string[]) {
    const cable = await layCable(onTestFinished)
    const served = await serveFiles(
      { [name]: IMAGES[name] },
      { cleanUp: onTestFinished, flags, listen: cable.serverAddress, under: cable.atServer },
    )
    const copy = join(await stagingFolder({}, onTestFinished), 'copy')
    const url = `http://${cable.serverAddress}:${served.port}/${name}`
    const rate = String(Math.ceil(IMAGES[name].length / 4))
    // curl would read a small image in one go, whatever its rate; this one takes 5,000 bytes and sleeps on the rest.
    const doze = `exec 3<>/dev/tcp/${cable.serverAddress}/${served.port}; printf 'GET /${name} HTTP/1.0\\r\\n\\r\\n' >&3; head -c 5000 <&3 >'${copy}'; exec sleep 30`
    const client =
      name === 'small.bin' ? ['bash', '-c', doze] : ['curl', '-sS', '--limit-rate', rate, '-o', copy, url]
    const [program = '', ...args] = [...cable.atClient, ...client]
    const curl = spawn(program, args, { stdio: 'ignore' })
    onTestFinished(() => void curl.kill('SIGKILL'))
    async function held(atLeast: number): Promise<number> {
      for (const deadline = Date.now() + 10_000; Date.now() < deadline; await pause(20)) {
        const bytes = statSync(copy, { throwIfNoEntry: false })?.size ?? 0
        if (bytes >= atLeast) return bytes
      }
      throw new Error(`curl (exit status ${curl.exitCode}) does not hold ${atLeast} bytes in time`)
    }
    return { served, curl, held, cable }
  }
})
