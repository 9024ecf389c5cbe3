/**
 * No device ends with a mixture: an image is replaced while a client holds a part of it, and the client resumes without
 * If-Range, as nearly all do. Tried with real clients; apk's libfetch is no program of its own (its http.c takes any
 * status but 200 and 206 for an error).
 */
import { existsSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { beforeAll, beforeEach, describe, expect, onTestFinished, test } from 'vitest'
import type { Snapshot } from '../../server/bench/snapshot-shape.ts'
import { audit } from '../commands/in-process.ts'
import { shown } from '../faults/bench.ts'
import { needs } from '../needs.ts'
import { type Outcome, run } from './program.ts'
import { ask, exchange, parseHead, request } from './raw-client.ts'
import {
  imageBytes,
  putFile,
  type Served,
  serveFilesHere,
  serveFolder,
  serveHere,
  sha256,
  stagingFolder,
  untilAllDone,
} from './served.ts'

const BYTES = 8 * 1024 * 1024
const HELD = 3_000_000

/** One server for all; each test has an image of its own, whose bytes no other has. */
let served: Served
let folder = ''
let nth = 0
let name = ''
let a: Buffer = Buffer.alloc(0)
/** As long as the first: a mixture would have the right length. */
let b: Buffer = Buffer.alloc(0)
let copy = ''

const whenAllDone = untilAllDone()

beforeAll(async () => {
  served = await serveFolder(await stagingFolder({}, whenAllDone), { cleanUp: whenAllDone })
  folder = await stagingFolder({}, whenAllDone)
})

beforeEach(async () => {
  nth += 1
  name = `core-${nth}.bin`
  a = imageBytes(BYTES, `A ${nth}`)
  b = imageBytes(BYTES, `B ${nth}`)
  copy = join(folder, name)
  await replaceBy(a)
})

const url = (): string => `http://127.0.0.1:${served.port}/${name}`

async function replaceBy(bytes: Buffer, at = served): Promise<void> {
  const before = at.entries.at(-1)?.seq ?? 0
  putFile(at.folder, name, bytes)
  await at.entry(
    'image',
    (entry) => entry.seq > before && entry.name === name && entry.sha256 === sha256(bytes),
  )
}

/** The client has a part of what is on offer now on its disk, and lost its connection there. */
async function cutAt(held: number, at = served): Promise<void> {
  const client = await ask(at.port, `/${name}`, { keep: true })
  await client.readBody(held)
  await client.reset()
  writeFileSync(copy, client.body().subarray(0, held))
  await at.ended(client.port)
}

const CLIENTS = [
  ['curl', 'curl -C -', (): [string, string[]] => ['curl', ['-sS', '-C', '-', '-o', copy, url()]]],
  ['curl', 'curl -f -C -', (): [string, string[]] => ['curl', ['-sSf', '-C', '-', '-o', copy, url()]]],
  ['wget', 'GNU wget -c', (): [string, string[]] => ['wget', ['-q', '-c', '-O', copy, url()]]],
  [
    'busybox',
    'BusyBox wget -c',
    (): [string, string[]] => ['busybox', ['wget', '-q', '-c', '-O', copy, url()]],
  ],
] as const

describe.each(CLIENTS)('%s: %s', (program, _name, command) => {
  const attempt = (): Promise<Outcome> => run(...command())

  test('a part of the old version stays as it is, however often it is tried, and the client fails', {
    timeout: 30_000,
    ...needs(program),
  }, async () => {
    await cutAt(HELD)
    await replaceBy(b)
    for (let time = 0; time < 2; time += 1) {
      expect((await attempt()).status).not.toBe(0)
      expect(readFileSync(copy).equals(a.subarray(0, HELD))).toBe(true)
    }
    expect(await served.entry('fetch-refused', ({ target }) => target === `/${name}`)).toMatchObject({
      status: 412,
      versionChanged: true,
      hint: 'delete the part on the device, then fetch it again from the start',
    })
    rmSync(copy)
    expect((await attempt()).status).toBe(0)
    expect(readFileSync(copy).equals(b)).toBe(true)
  })

  test('a whole old version is not taken for the new one of the same size', {
    timeout: 30_000,
    ...needs(program),
  }, async () => {
    await cutAt(BYTES)
    await replaceBy(b)
    expect((await attempt()).status).not.toBe(0)
    expect(readFileSync(copy).equals(a)).toBe(true)
    const { pulls } = await audit(served.folder, ['--image', name])
    expect(pulls.filter(({ image }) => image.sha256 === sha256(b))).toEqual([])
  })

  test('one version, another, and the first again: the part that it began last is not joined to the first', {
    timeout: 30_000,
    ...needs(program),
  }, async () => {
    await cutAt(HELD)
    await replaceBy(b)
    await cutAt(HELD)
    await replaceBy(a)
    expect((await attempt()).status).not.toBe(0)
    expect(readFileSync(copy).equals(b.subarray(0, HELD))).toBe(true)
  })

  test('a part of the version on offer is resumed as ever', needs(program), async () => {
    await replaceBy(b)
    await cutAt(HELD)
    expect((await attempt()).status).toBe(0)
    expect(readFileSync(copy).equals(b)).toBe(true)
  })
})

describe('aria2', needs('aria2c'), () => {
  const attempt = (...more: string[]): Promise<Outcome> =>
    run('aria2c', [
      ...['-q', '-x8', '-s8', '-k1M', '--file-allocation=none', '--no-conf', '-d', join(copy, '..')],
      ...['-o', name, ...more, url()],
    ])

  test('fetches the new version anew in segments after it had the old one', { timeout: 30_000 }, async () => {
    expect((await attempt()).status).toBe(0)
    expect(readFileSync(copy).equals(a)).toBe(true)
    await replaceBy(b)
    rmSync(copy)
    expect((await attempt()).status).toBe(0)
    expect(readFileSync(copy).equals(b)).toBe(true)
  })

  test('goes on with a part of the old version into no mixture', { timeout: 30_000 }, async () => {
    const slow = run('timeout', [
      ...['-s', 'INT', '2', 'aria2c', '-q', '-x2', '-s2', '-k1M', '--no-conf', '--file-allocation=none'],
      ...['--max-overall-download-limit=1M', '-d', join(copy, '..'), '-o', name, url()],
    ])
    expect((await slow).status).not.toBe(0)
    expect(existsSync(`${copy}.aria2`)).toBe(true)
    await replaceBy(b)
    const { status } = await attempt('-c')
    if (status === 0) expect(readFileSync(copy).equals(b)).toBe(true)
  })
})

describe('by hand', () => {
  async function getFrom(port: number, range: string, lines: readonly string[] = []) {
    const fields = [...(range === '' ? [] : [`Range: ${range}`]), ...lines]
    const { raw, client } = await exchange(port, request(`/${name}`, fields))
    return { status: parseHead(raw)?.status, body: client.body(), port: client.port }
  }
  const get = (range: string, ...lines: string[]) => getFrom(served.port, range, lines)

  test('ranges of every kind are refused after another version, and served once it is begun anew', async () => {
    await cutAt(HELD)
    await replaceBy(b)
    const ranges = [`bytes=${HELD}-`, `bytes=${HELD}-${HELD + 9}`, 'bytes=-10', `bytes=${BYTES}-`]
    for (const range of ranges) expect(await get(range)).toMatchObject({ status: 412 })
    expect((await get('bytes=0-99')).body.equals(b.subarray(0, 100))).toBe(true)
    expect(await get('bytes=-10')).toMatchObject({ status: 206 })
    expect(await get(`bytes=${HELD}-${HELD + 9}`)).toMatchObject({ status: 206 })
  })

  test('a refused part stands among the steps, with what to do, until the image is fetched anew', async () => {
    const other = await serveFilesHere({ [name]: a }, { cleanUp: onTestFinished })
    const records = join(other.folder, '.fetchproof')
    const tells = ({ nextSteps }: Snapshot): boolean =>
      nextSteps.some(({ text }) => text.includes('delete the part on the device'))
    await cutAt(HELD, other)
    await replaceBy(b, other)
    expect((await getFrom(other.port, `bytes=${HELD}-`)).status).toBe(412)
    await shown(records, tells)
    expect((await getFrom(other.port, '')).body.equals(b)).toBe(true)
    await shown(records, (snapshot) => !tells(snapshot))
  })

  test('an onward range beyond all that was handed over since is refused: its part is of the old version', async () => {
    await cutAt(HELD)
    await replaceBy(b)
    await served.ended((await get('bytes=0-99')).port)
    expect((await get(`bytes=${HELD}-`)).status).toBe(412)
    expect((await get('bytes=100-')).status).toBe(206)
  })

  test('If-Range that holds goes on: the client says itself what it has', async () => {
    await cutAt(HELD)
    await replaceBy(b)
    const { status, body } = await get(`bytes=${HELD}-`, `If-Range: "${sha256(b)}"`)
    expect(status).toBe(206)
    expect(body.equals(b.subarray(HELD))).toBe(true)
  })

  test('a client of which nothing is on record may go on', async () => {
    expect((await get(`bytes=${HELD}-`)).status).toBe(206)
  })

  test('segments beside the first request are served, as far as they are', async () => {
    await cutAt(HELD)
    await replaceBy(b)
    const first = await ask(served.port, `/${name}`)
    onTestFinished(() => first.reset())
    await first.readBody(1000)
    expect((await get(`bytes=${BYTES - 10}-`)).status).toBe(206)
  })

  test('what a client began is known after a restart too', async () => {
    const first = await serveFilesHere({ [name]: a }, { cleanUp: onTestFinished })
    await cutAt(HELD, first)
    await first.stop()
    putFile(first.folder, name, b)
    const second = await serveHere(first.folder, { cleanUp: onTestFinished })
    await second.image(name, sha256(b))
    expect((await getFrom(second.port, `bytes=${HELD}-`)).status).toBe(412)
  })
})
