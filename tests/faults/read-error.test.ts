/**
 * A disk that gives less than it promised, in the middle of a file: the file is cut behind what was read ahead, or
 * cannot be opened any more. Must hold: every fetch is reset and told as `withdrawn`, no client takes a short body for
 * a whole one, the file settles again, and once it is whole again it is served again.
 */
import { chmodSync, chownSync, mkdirSync, renameSync, rmSync, truncateSync } from 'node:fs'
import { join } from 'node:path'
import { expect, onTestFinished, test } from 'vitest'
import { ask, exchange, parseHead, type RawClient, request } from '../clients/raw-client.ts'
import {
  imageBytes,
  putFile,
  type ServedProgram,
  serveFiles,
  serveFolder,
  sha256,
  stagingFolder,
} from '../clients/served.ts'
import { ANOTHER_USER, needs } from '../needs.ts'

const MIB = 1024 * 1024
/** More than the kernel and the verified blocks hold of it: 64 MiB of cache, some MiB a socket. */
const IMAGE = imageBytes(24 * MIB, 'read error')

/** Several in the same place, and one that has just begun. */
async function underWay(served: ServedProgram): Promise<RawClient[]> {
  const clients: RawClient[] = []
  for (const bytes of [6 * MIB, 6 * MIB, 100_000]) {
    const client = await ask(served.port, '/image.bin', { keep: true })
    onTestFinished(() => client.reset())
    await client.readBody(bytes)
    clients.push(client)
  }
  return clients
}

test('a file that is cut behind what was read ahead resets every fetch, and none is delivered', async () => {
  const served = await serveFiles({ 'image.bin': IMAGE }, { cleanUp: onTestFinished })
  const clients = await underWay(served)
  truncateSync(join(served.folder, 'image.bin'), 20 * MIB + 12_345)
  for (const client of clients) {
    expect(await client.readToEnd()).toBe('reset')
    const body = client.body()
    expect(body.length).toBeLessThan(IMAGE.length)
    expect(body.equals(IMAGE.subarray(0, body.length))).toBe(true)
    expect(await served.ended(client.port)).toMatchObject({ ending: 'withdrawn' })
  }
  // What is there now is another image, and the first one is served again when it is there again.
  const cut = IMAGE.subarray(0, 20 * MIB + 12_345)
  await served.image('image.bin', sha256(cut))
  putFile(served.folder, 'image.bin', IMAGE)
  await served.entry(
    'image',
    ({ sha256: digest, seq }) => digest === sha256(IMAGE) && seq > lastSeqOf(served, cut),
  )
  const { client } = await exchange(served.port, request('/image.bin'))
  expect(client.bodySha256()).toBe(sha256(IMAGE))
})

function lastSeqOf({ entries }: ServedProgram, image: Buffer): number {
  const digest = sha256(image)
  return entries.findLast((entry) => entry.kind === 'image' && entry.sha256 === digest)?.seq ?? Infinity
}

test('a file that cannot be opened any more is refused with 503, and served again when it can be', async () => {
  const served = await serveFiles({ 'image.bin': IMAGE }, { cleanUp: onTestFinished })
  const path = join(served.folder, 'image.bin')
  const aside = join(served.folder, '.aside')
  // A folder in its place cannot be read as a file by anybody, root included (EISDIR); where there are rights, they go.
  renameSync(path, aside)
  mkdirSync(path)
  const { raw, client } = await exchange(served.port, request('/image.bin'))
  expect([404, 503]).toContain(parseHead(raw)?.status)
  expect(client.bodyBytes).toBe(0)
  rmSync(path, { recursive: true })
  renameSync(aside, path)
  await expect
    .poll(async () => (await exchange(served.port, request('/image.bin'))).client.bodySha256(), {
      timeout: 20_000,
    })
    .toBe(sha256(IMAGE))
})

// Root may read everything, so there another user serves.
const isRoot = process.getuid?.() === 0
test(
  'a file without the right to read it is locked, fetches under way go on by what is open, and it comes back',
  needs(isRoot ? 'another user' : 'POSIX'),
  async () => {
    const folder = await stagingFolder({ 'image.bin': IMAGE }, onTestFinished)
    if (isRoot)
      for (const each of [folder, join(folder, 'image.bin')]) chownSync(each, ANOTHER_USER, ANOTHER_USER)
    const asOther = ['setpriv', `--reuid=${ANOTHER_USER}`, `--regid=${ANOTHER_USER}`, '--clear-groups']
    const served = await serveFolder(folder, { cleanUp: onTestFinished, under: isRoot ? asOther : [] })
    await served.image('image.bin')
    const [first] = await underWay(served)
    const path = join(served.folder, 'image.bin')
    chmodSync(path, 0)
    onTestFinished(() => chmodSync(path, 0o600))
    expect(await first?.readToEnd()).toBe('closed')
    expect(first?.bodySha256()).toBe(sha256(IMAGE))
    chmodSync(path, 0o600)
    await expect
      .poll(async () => (await exchange(served.port, request('/image.bin'))).client.bodySha256(), {
        timeout: 20_000,
      })
      .toBe(sha256(IMAGE))
  },
)
