/** Files that change, shrink, are replaced or still grow while clients want them. */
import {
  appendFileSync,
  closeSync,
  openSync,
  renameSync,
  truncateSync,
  writeFileSync,
  writeSync,
} from 'node:fs'
import { join } from 'node:path'
import { setTimeout as pause } from 'node:timers/promises'
import { beforeAll, beforeEach, describe, expect, onTestFinished, test } from 'vitest'
import { ask, exchange, parseHead, type RawClient, request } from './raw-client.ts'
import {
  imageBytes,
  putFile,
  type Served,
  serveFolder,
  serveHere,
  sha256,
  stagingFolder,
  untilAllDone,
} from './served.ts'

const MIB = 1024 * 1024
const BYTES = 32 * MIB

/** One server for all; each test has an image of its own, whose bytes no other has. */
let served: Served
let nth = 0
let name = ''
let path = ''
let old: Buffer = Buffer.alloc(0)
let next: Buffer = Buffer.alloc(0)

const whenAllDone = untilAllDone()

beforeAll(async () => {
  served = await serveFolder(await stagingFolder({}, whenAllDone), { cleanUp: whenAllDone })
})

beforeEach(() => {
  nth += 1
  name = `core-${nth}.bin`
  path = join(served.folder, name)
  old = imageBytes(BYTES, `old ${nth}`)
  next = imageBytes(BYTES, `next ${nth}`)
})

/** The old bytes are on offer, and somebody has begun to read them. */
async function pulledSlowly(): Promise<RawClient> {
  putFile(served.folder, name, old)
  await served.image(name, sha256(old))
  const slow = await ask(served.port, `/${name}`, { keep: true })
  onTestFinished(() => slow.reset())
  await slow.head()
  await slow.readBody(MIB)
  return slow
}

/** What a change makes of the old bytes, and how it is made. */
interface Change {
  readonly becomes: () => Buffer
  readonly make: () => void
}

const changes: Readonly<Record<string, Change>> = {
  'overwritten in place': {
    becomes: () => next,
    make() {
      const file = openSync(path, 'r+')
      writeSync(file, next, 0, next.length, 0)
      closeSync(file)
    },
  },
  'overwritten in its last byte only': {
    becomes: () => withLastByteTurned(old),
    make() {
      const file = openSync(path, 'r+')
      writeSync(file, withLastByteTurned(old), BYTES - 1, 1, BYTES - 1)
      closeSync(file)
    },
  },
  truncated: {
    becomes: () => old.subarray(0, BYTES / 2),
    make: () => truncateSync(path, BYTES / 2),
  },
  'grown at its end': {
    becomes: () => Buffer.concat([old, next.subarray(0, MIB)]),
    make: () => appendFileSync(path, next.subarray(0, MIB)),
  },
}

function withLastByteTurned(bytes: Buffer): Buffer {
  const turned = Buffer.from(bytes)
  turned[turned.length - 1] = (turned.at(-1) ?? 0) ^ 0xff
  return turned
}

describe.each(Object.entries(changes))('a file %s during a transfer', (_what, { becomes, make }) => {
  test('is reset, never sent mixed, digested anew, and a resume gets nothing of the new one', async () => {
    const slow = await pulledSlowly()
    make()
    expect(await slow.readToEnd()).toBe('reset')
    const body = slow.body()
    expect(body.length).toBeLessThan(BYTES)
    expect(body.equals(old.subarray(0, body.length))).toBe(true)
    const ended = await served.ended(slow.port)
    expect(ended.ending).toBe('withdrawn')
    expect(ended.reason ?? '').not.toBe('')
    expect(ended.bytesHandedOver).toBeGreaterThanOrEqual(body.length)

    const image = await served.image(name, sha256(becomes()))
    expect(image.bytes).toBe(becomes().length)
    await expectResumeRefused(body.length, becomes())
  })
})

test('a file replaced by rename during a transfer is never sent mixed, and a resume gets nothing of the new one', async () => {
  const slow = await pulledSlowly()
  writeFileSync(join(served.folder, '.next'), next)
  renameSync(join(served.folder, '.next'), path)
  const end = await slow.readToEnd()
  const body = slow.body()
  // The old file still stands behind its open descriptor: whole and right, or reset; nothing between.
  expect(body.equals(old.subarray(0, body.length))).toBe(true)
  expect(end).toBe(body.length === BYTES ? 'closed' : 'reset')
  await slow.close()
  const { ending } = await served.ended(slow.port)
  expect(ending).toBe(end === 'closed' ? 'delivered' : 'withdrawn')
  await served.image(name, sha256(next))
  await expectResumeRefused(MIB, next)
})

/** FIELD: clients resume without If-Range, which RFC 9110 section 14.2 lets them; the versions must not be joined. */
async function expectResumeRefused(from: number, now: Buffer): Promise<void> {
  const resumed = await exchange(served.port, request(`/${name}`, [`Range: bytes=${from}-`]))
  expect(parseHead(resumed.raw)?.status).toBe(412)
  expect(await served.refused(resumed.client.port)).toMatchObject({ versionChanged: true, status: 412 })
  const whole = await exchange(served.port, request(`/${name}`))
  expect(whole.client.bodySha256()).toBe(sha256(now))
  // Now it has begun the new version: its next resume goes on with that one (RFC 9110 section 15.3.7).
  const last = await exchange(served.port, request(`/${name}`, [`Range: bytes=${now.length - 1000}-`]))
  expect(parseHead(last.raw)?.status).toBe(206)
  expect(last.client.body().equals(now.subarray(-1000))).toBe(true)
  expect((await served.begun(last.client.port)).versionChanged).not.toBe(true)
}

test('a resume with If-Range of the old version gets the new one whole', async () => {
  old = old.subarray(0, 100_000)
  next = next.subarray(0, 100_000)
  putFile(served.folder, name, old)
  await served.image(name, sha256(old))
  const first = await exchange(served.port, request(`/${name}`))
  const tag = parseHead(first.raw)?.field('etag') ?? ''
  expect(tag).toBe(`"${sha256(old)}"`)
  writeFileSync(path, next)
  await served.image(name, sha256(next))
  const resumed = await exchange(served.port, request(`/${name}`, ['Range: bytes=500-', `If-Range: ${tag}`]))
  // RFC 9110 section 13.1.5: a false condition means that the Range field is ignored.
  expect(parseHead(resumed.raw)?.status).toBe(200)
  expect(resumed.client.body().equals(next)).toBe(true)
})

describe('a file that is still being written', () => {
  const whole = imageBytes(3 * MIB, 'growing')

  test.each([
    ['growing when the server starts, in steps shorter than the quiet time', 12, 250, '1200'],
    ['copied in with a pause of five seconds', 2, 5000, '6500'],
  ])('%s, is never served in part', { timeout: 40_000 }, async (_what, steps, pauseMs, unsureMs) => {
    const folder = await stagingFolder({}, onTestFinished)
    const growing = join(folder, 'growing.bin')
    const step = whole.length / steps
    writeFileSync(growing, whole.subarray(0, step))
    const flags = ['--settle-ms', '200', '--settle-unsure-ms', unsureMs]
    const beside = await serveHere(folder, { cleanUp: onTestFinished, flags })
    let written = step
    const writing = (async () => {
      for (; written < whole.length; written += step) {
        await pause(pauseMs)
        appendFileSync(growing, whole.subarray(written, written + step))
      }
    })()
    const statuses = new Set<number>()
    while (!statuses.has(200)) {
      const { raw, client } = await exchange(beside.port, request('/growing.bin'))
      const head = parseHead(raw)
      statuses.add(head?.status ?? 0)
      if (head?.status === 200) expect(client.body().equals(whole)).toBe(true)
      else if (head?.status === 503) expect(head.field('retry-after')).toBe('5')
      await pause(100)
    }
    await writing
    expect(statuses.has(503)).toBe(true)
    expect([...statuses].every((status) => [200, 404, 503].includes(status))).toBe(true)
    const images = beside.entries.filter(({ kind }) => kind === 'image')
    expect(images).toMatchObject([{ sha256: sha256(whole) }])
  })
})

test('a file that goes away during a transfer is not sent short with a clean end', async () => {
  const slow = await pulledSlowly()
  renameSync(path, join(served.folder, '.gone'))
  await served.entry('image-gone', (entry) => entry.name === name)
  const end = await slow.readToEnd()
  const body = slow.body()
  expect(body.equals(old.subarray(0, body.length))).toBe(true)
  expect(end).toBe(body.length === BYTES ? 'closed' : 'reset')
  const after = await exchange(served.port, request(`/${name}`))
  expect(parseHead(after.raw)?.status).toBe(404)
})
