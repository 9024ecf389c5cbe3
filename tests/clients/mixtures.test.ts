/**
 * No device ends with a mixture: an image is replaced while a client holds a part of it, and the client resumes without
 * If-Range, as nearly all do. Tried with real clients; apk's libfetch is no program of its own (its http.c takes any
 * status but 200 and 206 for an error).
 */
import { existsSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { beforeEach, describe, expect, onTestFinished, test } from 'vitest'
import type { Snapshot } from '../../server/bench/snapshot-shape.ts'
import { shown } from '../faults/bench.ts'
import { needs } from '../needs.ts'
import { audit, type Outcome, run } from './program.ts'
import { ask, exchange, parseHead, request } from './raw-client.ts'
import { imageBytes, putFile, type Served, serveFiles, serveFolder, sha256, stagingFolder } from './served.ts'

const BYTES = 8 * 1024 * 1024
const HELD = 3_000_000
const NAME = 'core.bin'
const A = imageBytes(BYTES, 'A')
/** As long as A: a mixture would have the right length. */
const B = imageBytes(BYTES, 'B')

let served: Served
let copy = ''

beforeEach(async () => {
  served = await serveFiles({ [NAME]: A }, { cleanUp: onTestFinished })
  copy = join(await stagingFolder({}, onTestFinished), NAME)
})

const url = (): string => `http://127.0.0.1:${served.port}/${NAME}`

async function replaceBy(bytes: Buffer): Promise<void> {
  const before = served.entries.at(-1)?.seq ?? 0
  putFile(served.folder, NAME, bytes)
  await served.entry('image', (entry) => entry.seq > before && entry.sha256 === sha256(bytes))
}

/** The client has a part of what is on offer now on its disk, and lost its connection there. */
async function cutAt(held: number): Promise<void> {
  const client = await ask(served.port, `/${NAME}`, { keep: true })
  await client.readBody(held)
  await client.reset()
  writeFileSync(copy, client.body().subarray(0, held))
  await served.ended(client.port)
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
    await replaceBy(B)
    for (let time = 0; time < 2; time += 1) {
      expect((await attempt()).status).not.toBe(0)
      expect(readFileSync(copy).equals(A.subarray(0, HELD))).toBe(true)
    }
    expect(await served.entry('fetch-refused')).toMatchObject({
      status: 412,
      versionChanged: true,
      hint: 'delete the part on the device, then fetch it again from the start',
    })
    rmSync(copy)
    expect((await attempt()).status).toBe(0)
    expect(readFileSync(copy).equals(B)).toBe(true)
  })

  test('a whole old version is not taken for the new one of the same size', {
    timeout: 30_000,
    ...needs(program),
  }, async () => {
    await cutAt(BYTES)
    await replaceBy(B)
    expect((await attempt()).status).not.toBe(0)
    expect(readFileSync(copy).equals(A)).toBe(true)
    const { pulls } = await audit(served.folder, [])
    expect(pulls.filter(({ image }) => image.sha256 === sha256(B))).toEqual([])
  })

  test('one version, another, and the first again: the part that it began last is not joined to the first', {
    timeout: 30_000,
    ...needs(program),
  }, async () => {
    await cutAt(HELD)
    await replaceBy(B)
    await cutAt(HELD)
    await replaceBy(A)
    expect((await attempt()).status).not.toBe(0)
    expect(readFileSync(copy).equals(B.subarray(0, HELD))).toBe(true)
  })

  test('a part of the version on offer is resumed as ever', needs(program), async () => {
    await replaceBy(B)
    await cutAt(HELD)
    expect((await attempt()).status).toBe(0)
    expect(readFileSync(copy).equals(B)).toBe(true)
  })
})

describe('aria2', needs('aria2c'), () => {
  const attempt = (...more: string[]): Promise<Outcome> =>
    run('aria2c', [
      ...['-q', '-x8', '-s8', '-k1M', '--file-allocation=none', '--no-conf', '-d', join(copy, '..')],
      ...['-o', NAME, ...more, url()],
    ])

  test('fetches the new version anew in segments after it had the old one', { timeout: 30_000 }, async () => {
    expect((await attempt()).status).toBe(0)
    expect(readFileSync(copy).equals(A)).toBe(true)
    await replaceBy(B)
    rmSync(copy)
    expect((await attempt()).status).toBe(0)
    expect(readFileSync(copy).equals(B)).toBe(true)
  })

  test('goes on with a part of the old version into no mixture', { timeout: 30_000 }, async () => {
    const slow = run('timeout', [
      ...['-s', 'INT', '2', 'aria2c', '-q', '-x2', '-s2', '-k1M', '--no-conf', '--file-allocation=none'],
      ...['--max-overall-download-limit=1M', '-d', join(copy, '..'), '-o', NAME, url()],
    ])
    expect((await slow).status).not.toBe(0)
    expect(existsSync(`${copy}.aria2`)).toBe(true)
    await replaceBy(B)
    const { status } = await attempt('-c')
    if (status === 0) expect(readFileSync(copy).equals(B)).toBe(true)
  })
})

describe('by hand', () => {
  const get = async (range: string, ...lines: string[]) => {
    const { raw, client } = await exchange(
      served.port,
      request(`/${NAME}`, [...(range === '' ? [] : [`Range: ${range}`]), ...lines]),
    )
    return { status: parseHead(raw)?.status, body: client.body(), port: client.port }
  }

  test('ranges of every kind are refused after another version, and served once it is begun anew', async () => {
    await cutAt(HELD)
    await replaceBy(B)
    const ranges = [`bytes=${HELD}-`, `bytes=${HELD}-${HELD + 9}`, 'bytes=-10', `bytes=${BYTES}-`]
    for (const range of ranges) expect(await get(range)).toMatchObject({ status: 412 })
    expect((await get('bytes=0-99')).body.equals(B.subarray(0, 100))).toBe(true)
    expect(await get('bytes=-10')).toMatchObject({ status: 206 })
    expect(await get(`bytes=${HELD}-${HELD + 9}`)).toMatchObject({ status: 206 })
  })

  test('a refused part stands among the steps, with what to do, until the image is fetched anew', async () => {
    const records = join(served.folder, '.fetchproof')
    const tells = ({ nextSteps }: Snapshot): boolean =>
      nextSteps.some(({ text }) => text.includes('delete the part on the device'))
    await cutAt(HELD)
    await replaceBy(B)
    expect((await get(`bytes=${HELD}-`)).status).toBe(412)
    await shown(records, tells)
    expect((await get('')).body.equals(B)).toBe(true)
    await shown(records, (snapshot) => !tells(snapshot))
  })

  test('an onward range beyond all that was handed over since is refused: its part is of the old version', async () => {
    await cutAt(HELD)
    await replaceBy(B)
    await served.ended((await get('bytes=0-99')).port)
    expect((await get(`bytes=${HELD}-`)).status).toBe(412)
    expect((await get('bytes=100-')).status).toBe(206)
  })

  test('If-Range that holds goes on: the client says itself what it has', async () => {
    await cutAt(HELD)
    await replaceBy(B)
    const { status, body } = await get(`bytes=${HELD}-`, `If-Range: "${sha256(B)}"`)
    expect(status).toBe(206)
    expect(body.equals(B.subarray(HELD))).toBe(true)
  })

  test('a client of which nothing is on record may go on', async () => {
    expect((await get(`bytes=${HELD}-`)).status).toBe(206)
  })

  test('segments beside the first request are served, as far as they are', async () => {
    await cutAt(HELD)
    await replaceBy(B)
    const first = await ask(served.port, `/${NAME}`)
    onTestFinished(() => first.reset())
    await first.readBody(1000)
    expect((await get(`bytes=${BYTES - 10}-`)).status).toBe(206)
  })

  test('what a client began is known after a restart too', async () => {
    await cutAt(HELD)
    await served.stop()
    putFile(served.folder, NAME, B)
    served = await serveFolder(served.folder, { cleanUp: onTestFinished })
    await served.image(NAME, sha256(B))
    expect((await get(`bytes=${HELD}-`)).status).toBe(412)
  })
})
