/** Clients that people really use, each over the same server: right bytes, and one pull each in the audit. */
import { once } from 'node:events'
import { copyFileSync, mkdirSync, readFileSync, statSync, writeFileSync } from 'node:fs'
import { dirname, join } from 'node:path'
import { beforeAll, describe, expect, onTestFinished, test } from 'vitest'
import type { PullRecord } from '../../server/delivery/records.ts'
import { audit, inProcess } from '../commands/in-process.ts'
import { needs } from '../needs.ts'
import { type Outcome, run } from './program.ts'
import { ask, exchange, request } from './raw-client.ts'
import { imageBytes, type Served, serveFiles, sha256, stagingFolder, untilAllDone } from './served.ts'

const BYTES = 8 * 1024 * 1024
const HALF = BYTES / 2
/** Every client has an image of its own, since all of them share one address. */
const JOBS = [
  'curl-plain',
  'curl-resumed',
  'curl-resumed-twice',
  'curl-old',
  'curl-range',
  'curl-ranges',
  'curl-head',
  'wget-plain',
  'wget-resumed',
  'busybox-plain',
  'busybox-resumed',
  'aria2',
] as const
type Job = (typeof JOBS)[number]
const image = (job: Job): Buffer => imageBytes(BYTES, job)

let served: Served
let folder = ''

const whenAllDone = untilAllDone()

beforeAll(async () => {
  const files = Object.fromEntries(JOBS.map((job) => [`${job}.bin`, image(job)]))
  served = await serveFiles(files, { cleanUp: whenAllDone, flags: ['--list'] })
  folder = await stagingFolder({}, whenAllDone)
})

const url = (path: string): string => `http://127.0.0.1:${served.port}/${path}`
const copy = (job: Job): string => join(folder, `${job}.bin`)

async function ok(program: string, args: readonly string[]): Promise<Outcome> {
  const outcome = await run(program, args, { cwd: folder })
  expect(outcome, `${program} ${args.join(' ')}`).toMatchObject({ status: 0 })
  return outcome
}

function expectSame(job: Job): void {
  expect(sha256(readFileSync(copy(job)))).toBe(sha256(image(job)))
}

/** The pulls of this job's image when all of its fetches have ended. */
async function pullsOf(job: Job): Promise<readonly PullRecord[]> {
  const mine = served.entries.flatMap((entry) =>
    entry.kind === 'fetch-begun' && entry.image?.name === `${job}.bin` ? [entry.id] : [],
  )
  for (const id of mine) await served.entry('fetch-ended', (entry) => entry.id === id)
  return (await audit(served.folder, ['--image', `${job}.bin`])).pulls
}

async function expectOneCompletePull(job: Job, fetches: number): Promise<void> {
  const pulls = await pullsOf(job)
  expect(pulls).toMatchObject([
    { state: 'complete', bytesCovered: BYTES, versionChanged: false, shared: false },
  ])
  expect(pulls[0]?.fetches).toHaveLength(fetches)
  expect(pulls[0]?.image.sha256).toBe(sha256(image(job)))
}

/** The first half of the image on the client's disk, and the connection lost there. */
async function cutAtHalf(job: Job): Promise<void> {
  const client = await ask(served.port, `/${job}.bin`, { keep: true })
  await client.readBody(HALF)
  await client.reset()
  writeFileSync(copy(job), client.body().subarray(0, HALF))
  await served.ended(client.port)
}

describe('curl', needs('curl'), () => {
  test('plain', async () => {
    await ok('curl', ['-sSf', '-o', copy('curl-plain'), url('curl-plain.bin')])
    expectSame('curl-plain')
    await expectOneCompletePull('curl-plain', 1)
  })

  test('-C - after it was stopped midway', async () => {
    const job = 'curl-resumed'
    // Cut by its reader, and not by a clock: a limited rate is an average that a busy machine makes up for.
    const HELD = 3_000_000
    await run('bash', ['-c', `curl -sS "$0" | head -c ${HELD} > "$1"`, url(`${job}.bin`), copy(job)])
    expect(statSync(copy(job)).size).toBe(HELD)
    expect(HELD).toBeLessThan(BYTES)
    await ok('curl', ['-sSf', '-C', '-', '-o', copy(job), url(`${job}.bin`)])
    expectSame(job)
    await expectOneCompletePull(job, 2)
  })

  test('-C - of what is complete already', async () => {
    const job = 'curl-resumed-twice'
    await ok('curl', ['-sSf', '-o', copy(job), url(`${job}.bin`)])
    await ok('curl', ['-sS', '-C', '-', '-o', copy(job), url(`${job}.bin`)])
    expectSame(job)
    const pulls = await pullsOf(job)
    expect(pulls).toMatchObject([{ state: 'complete', bytesCovered: BYTES }])
  })

  test('--http1.0', async () => {
    const { stdout } = await ok('curl', [
      '-sSf',
      '--http1.0',
      '-D',
      '-',
      '-o',
      copy('curl-old'),
      url('curl-old.bin'),
    ])
    expect(stdout).toMatch(/^HTTP\/1\.[01] 200 OK\r\n/)
    expect(stdout).toMatch(/\r\nContent-Length: 8388608\r\n/)
    expect(stdout).not.toMatch(/transfer-encoding/i)
    expectSame('curl-old')
    await expectOneCompletePull('curl-old', 1)
  })

  test.each([
    ['0-999', 0, 1000],
    ['1000-1999', 1000, 2000],
    ['-500', BYTES - 500, BYTES],
    [`${BYTES - 1}-`, BYTES - 1, BYTES],
  ])('-r %s', async (range, from, to) => {
    await ok('curl', ['-sSf', '-r', range, '-o', copy('curl-range'), url('curl-range.bin')])
    expect(readFileSync(copy('curl-range')).equals(image('curl-range').subarray(from, to))).toBe(true)
  })

  test('-r with several ranges gets the whole (RFC 9110 section 14.2 lets a server ignore them)', async () => {
    const args = ['-sSf', '-r', '0-99,200-299', '-w', '%{http_code}', '-o', copy('curl-ranges')]
    const { stdout } = await ok('curl', [...args, url('curl-ranges.bin')])
    expect(stdout).toBe('200')
    expectSame('curl-ranges')
    await expectOneCompletePull('curl-ranges', 1)
  })

  test('-I: the headers of GET, and no pull (RFC 9110 section 9.3.2)', async () => {
    const job = 'curl-head'
    const fields = (text: string): string[] =>
      text
        .trimEnd()
        .split('\r\n')
        .filter((line) => !/^(date|connection|keep-alive):/i.test(line))
        .sort()
    const head = await ok('curl', ['-sSfI', url(`${job}.bin`)])
    expect(await pullsOf(job)).toEqual([])
    const get = await ok('curl', ['-sSf', '-D', '-', '-o', copy(job), url(`${job}.bin`)])
    expect(fields(head.stdout)).toEqual(fields(get.stdout))
    await expectOneCompletePull(job, 1)
  })
})

describe('GNU wget', needs('wget'), () => {
  test('plain', async () => {
    await ok('wget', ['-q', '-O', copy('wget-plain'), url('wget-plain.bin')])
    expectSame('wget-plain')
    await expectOneCompletePull('wget-plain', 1)
  })

  test('-c after it was killed midway', async () => {
    const job = 'wget-resumed'
    const HELD = 3_000_000
    await run('bash', ['-c', `wget -q -O - "$0" | head -c ${HELD} > "$1"`, url(`${job}.bin`), copy(job)])
    expect(statSync(copy(job)).size).toBe(HELD)
    await ok('wget', ['-q', '-c', '-P', folder, url(`${job}.bin`)])
    expectSame(job)
    await expectOneCompletePull(job, 2)
    // Once more: wget asks from the end, and takes 416 for "complete already".
    await ok('wget', ['-q', '-c', '-P', folder, url(`${job}.bin`)])
    expectSame(job)
  })
})

describe('BusyBox wget', needs('busybox'), () => {
  test('plain', async () => {
    await ok('busybox', ['wget', '-q', '-O', copy('busybox-plain'), url('busybox-plain.bin')])
    expectSame('busybox-plain')
    await expectOneCompletePull('busybox-plain', 1)
  })

  test('-c after its part was cut', async () => {
    const job = 'busybox-resumed'
    await cutAtHalf(job)
    await ok('busybox', ['wget', '-q', '-c', '-O', copy(job), url(`${job}.bin`)])
    expectSame(job)
    await expectOneCompletePull(job, 2)
  })
})

test('aria2 in eight segments at once, checking the digest itself', needs('aria2c'), async () => {
  const job = 'aria2'
  await ok('aria2c', [
    ...['-q', '-x8', '-s8', '-k1M', '--file-allocation=none', '--no-conf', '-d', folder],
    ...['-o', `${job}.bin`, `--checksum=sha-256=${sha256(image(job))}`, url(`${job}.bin`)],
  ])
  expectSame(job)
  const pulls = await pullsOf(job)
  expect(pulls).toHaveLength(1)
  expect(['complete', 'unconfirmed']).toContain(pulls[0]?.state)
  expect(pulls[0]?.fetches.length).toBeGreaterThan(1)
  // Its first request asks for the whole and leaves early: what that one handed over may count as unconfirmed only.
  if (pulls[0]?.state === 'complete') expect(pulls[0].bytesCovered).toBe(BYTES)
  else expect(pulls[0]?.bytesCovered).toBeLessThanOrEqual(BYTES)
})

test('a connection that is lost half-way leaves one incomplete pull', async () => {
  const files = { 'lost.bin': imageBytes(BYTES, 'lost') }
  const other = await serveFiles(files, { cleanUp: onTestFinished })
  const client = await ask(other.port, '/lost.bin')
  await client.readBody(1000)
  await client.reset()
  await other.ended(client.port)
  const { pulls } = await audit(other.folder)
  expect(pulls).toMatchObject([{ state: 'incomplete', bytesCovered: 0 }])
})

describe('digests and checksum files', () => {
  test('Repr-Digest (RFC 9530 section 3) and Digest (RFC 3230) carry the SHA-256 of the whole, in parts too', async () => {
    const value = Buffer.from(sha256(image('curl-range')), 'hex').toString('base64')
    for (const lines of [[], ['Range: bytes=5-9']]) {
      const client = await ask(served.port, '/curl-range.bin', { method: 'HEAD', lines })
      const head = await client.head()
      expect(head.field('repr-digest')).toBe(`sha-256=:${value}:`)
      expect(head.field('digest')).toBe(`SHA-256=${value}`)
      expect(head.field('etag')).toBe(`"${sha256(image('curl-range'))}"`)
      await client.close()
    }
  })

  test('what is offered at PATH.sha256 and SHA256SUMS passes sha256sum -c (GNU coreutils)', {
    timeout: 40_000,
    ...needs('sha256sum', 'curl'),
  }, async () => {
    const names = { 'plain.bin': 1, 'sub/dir/Deep.img': 2, 'é+ name.bin': 3, '%41.bin': 4 }
    const files = Object.fromEntries(
      Object.entries(names).map(([name, n]) => [name, imageBytes(n * 1000, name)]),
    )
    const other = await serveFiles(files, { cleanUp: onTestFinished, flags: ['--list'] })
    const into = await stagingFolder({}, onTestFinished)
    const base = `http://127.0.0.1:${other.port}`
    const list = await run('curl', ['-sSf', `${base}/SHA256SUMS`])
    writeFileSync(join(into, 'SHA256SUMS'), list.stdout)
    expect(list.stdout.trimEnd().split('\n')).toHaveLength(Object.keys(names).length)
    for (const name of Object.keys(names)) {
      const { plainPath } = await other.image(name)
      mkdirSync(dirname(join(into, plainPath)), { recursive: true })
      await ok('curl', ['-sSf', '-o', join(into, plainPath), `${base}${plainPath}`])
      const one = await run('curl', ['-sSf', `${base}${plainPath}.sha256`])
      // Checked where the image lies, as people do: the file names the image by its last segment.
      const place = dirname(join(into, plainPath))
      writeFileSync(join(place, 'one.sha256'), one.stdout)
      const checked = await run('sha256sum', ['--strict', '-c', 'one.sha256'], { cwd: place })
      expect(checked, one.stdout).toMatchObject({ status: 0 })
    }
    const checked = await run('sha256sum', ['--strict', '-c', 'SHA256SUMS'], { cwd: into })
    expect(checked, list.stdout).toMatchObject({ status: 0 })
    // And they are no empty promise: a turned byte fails.
    const { plainPath } = await other.image('plain.bin')
    copyFileSync(join(into, 'SHA256SUMS'), join(into, plainPath))
    expect((await run('sha256sum', ['--strict', '-c', 'SHA256SUMS'], { cwd: into })).status).toBe(1)
  })

  test('the list is on record as fetched, and is nobody’s pull', async () => {
    const other = await serveFiles(
      { 'a.bin': imageBytes(100) },
      { cleanUp: onTestFinished, flags: ['--list'] },
    )
    await other.image('a.bin')
    await exchange(other.port, request('/SHA256SUMS'))
    expect(await other.stop()).toBe(0)
    const { pulls, fetches } = await audit(other.folder, [])
    expect(pulls).toEqual([])
    expect(fetches).toMatchObject([
      { target: '/SHA256SUMS', image: null, status: 200, ending: 'headers-only', bytesHandedOver: 0 },
    ])
    expect((await inProcess(['audit', other.folder, '--fetches'])).stdout).toContain('/SHA256SUMS')
  })

  test('without --list there is no SHA256SUMS', async () => {
    const other = await serveFiles({ 'a.bin': imageBytes(100) }, { cleanUp: onTestFinished })
    const client = await ask(other.port, '/SHA256SUMS')
    expect((await client.head()).status).toBe(404)
    await client.close()
    if (!client.socket.destroyed) await once(client.socket, 'close')
  })
})
