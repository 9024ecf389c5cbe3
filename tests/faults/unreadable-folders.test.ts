/** Folders that an ordinary user may not read: said, never a stop, and what they hold is offered once they may be read. */
import { chmodSync, chownSync, mkdirSync } from 'node:fs'
import { join } from 'node:path'
import { expect, onTestFinished, test } from 'vitest'
import { exchange, parseHead, request } from '../clients/raw-client.ts'
import { imageBytes, putFile, type Served, serveFolder, sha256, stagingFolder } from '../clients/served.ts'
import { ANOTHER_USER, needs } from '../needs.ts'
import { shown } from './bench.ts'

const CORE = imageBytes(20_000, 'core')
const DEEP = imageBytes(30_000, 'deep')

// Root may read everything, so there another user serves.
const isRoot = process.getuid?.() === 0
const NEEDED = needs(isRoot ? 'another user' : 'POSIX')

/** A folder with core.bin, and sub/deep.bin in a folder with these rights. */
async function staged(mode: number): Promise<{ folder: string; sub: string }> {
  const folder = await stagingFolder({ 'core.bin': CORE }, onTestFinished)
  const sub = join(folder, 'sub')
  mkdirSync(sub)
  putFile(folder, 'sub/deep.bin', DEEP)
  if (isRoot)
    for (const each of ['.', 'core.bin', 'sub', 'sub/deep.bin'])
      chownSync(join(folder, each), ANOTHER_USER, ANOTHER_USER)
  chmodSync(sub, mode)
  onTestFinished(() => chmodSync(sub, 0o700))
  return { folder, sub }
}

function serve(folder: string): Promise<Served> {
  const asOther = ['setpriv', `--reuid=${ANOTHER_USER}`, `--regid=${ANOTHER_USER}`, '--clear-groups']
  return serveFolder(folder, { cleanUp: onTestFinished, under: isRoot ? asOther : [] })
}

const statusOf = async ({ port }: Served, target: string): Promise<number | undefined> =>
  parseHead((await exchange(port, request(target))).raw)?.status

test.each([
  ['neither listed nor entered', 0o000, /^The folder sub cannot be read \(EACCES\)/],
  ['entered and not listed', 0o100, /^The folder sub cannot be read \(EACCES\)/],
  ['listed and not entered', 0o400, /^What is in sub cannot be opened \(EACCES\)/],
])('a folder that may be %s: its images were missing without a word', NEEDED, async (_what, mode, words) => {
  const { folder, sub } = await staged(mode)
  const served = await serve(folder)
  await served.image('core.bin')
  const { troubles } = await shown(join(folder, '.fetchproof'), ({ troubles: told }) => told.length > 0)
  expect(troubles.map(({ message }) => message)).toEqual([expect.stringMatching(words)])
  expect(await statusOf(served, '/sub/deep.bin')).toBe(404)
  expect(await statusOf(served, '/core.bin')).toBe(200)
  chmodSync(sub, 0o700)
  await served.image('sub/deep.bin')
  const { client } = await exchange(served.port, request('/sub/deep.bin'))
  expect(client.bodySha256()).toBe(sha256(DEEP))
  expect(await served.stop()).toBe(0)
})

test(
  'a folder whose rights go while it is served: refused or served whole, and served again',
  NEEDED,
  async () => {
    const { folder, sub } = await staged(0o700)
    const served = await serve(folder)
    await served.image('sub/deep.bin')
    chmodSync(sub, 0o000)
    const { raw, client } = await exchange(served.port, request('/sub/deep.bin'))
    expect(parseHead(raw)?.status).toBe(503)
    expect(client.bodyBytes).toBe(0)
    expect(await statusOf(served, '/core.bin')).toBe(200)
    await shown(join(folder, '.fetchproof'), ({ troubles }) =>
      troubles.some(({ message }) => message.startsWith('The folder sub cannot be read')),
    )
    chmodSync(sub, 0o700)
    await expect.poll(() => statusOf(served, '/sub/deep.bin'), { timeout: 15_000 }).toBe(200)
    expect(await served.stop()).toBe(0)
  },
)

test('the staging folder itself: said, not called empty, and served again', NEEDED, async () => {
  const { folder } = await staged(0o700)
  const served = await serve(folder)
  await served.image('core.bin')
  chmodSync(folder, 0o100)
  onTestFinished(() => chmodSync(folder, 0o700))
  await shown(join(folder, '.fetchproof'), ({ troubles }) =>
    troubles.some(({ message }) => message.startsWith('The staging folder cannot be read (EACCES)')),
  )
  // What may still be opened by its name is still what was offered.
  expect(await statusOf(served, '/core.bin')).toBe(200)
  chmodSync(folder, 0o700)
  const fresh = imageBytes(10_000, 'fresh')
  putFile(folder, 'fresh.bin', fresh)
  if (isRoot) chownSync(join(folder, 'fresh.bin'), ANOTHER_USER, ANOTHER_USER)
  await served.image('fresh.bin', sha256(fresh))
  expect(await served.stop()).toBe(0)
})
