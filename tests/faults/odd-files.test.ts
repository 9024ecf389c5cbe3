/** Files that once ended the server, or left a trace for ever, tried on the built program. */
import { execFileSync } from 'node:child_process'
import { mkdirSync, readdirSync, writeFileSync } from 'node:fs'
import { request } from 'node:http'
import { join } from 'node:path'
import { describe, expect, it, onTestFinished } from 'vitest'
import { readPageToken } from '../../server/commands/page-token.ts'
import { exchange, request as get, parseHead } from '../clients/raw-client.ts'
import {
  imageBytes,
  ledgerEntries,
  type ServedProgram,
  serveFolder,
  sha256,
  stagingFolder,
} from '../clients/served.ts'
import { needs } from '../needs.ts'
import { pagePortOf, shown } from './bench.ts'
import { seenBy, withDisks } from './small-mount.ts'

const GOOD = imageBytes(60_000, 'good')
const FAR = imageBytes(50_000, 'far')

async function bodyOf(served: ServedProgram, target: string): Promise<Buffer> {
  const { raw } = await exchange(served.port, get(target))
  const head = parseHead(raw)
  expect([target, head?.status]).toEqual([target, 200])
  return raw.subarray(head?.bytes)
}

describe('a file that no record could hold', () => {
  it.each([
    ['beyond', '@99999999999999'],
    ['long before', '@-99999999999999'],
  ])('(changed %s any date) ended the server', needs('mount namespaces'), async (_what, when) => {
    const folder = await stagingFolder({}, onTestFinished)
    const disk = join(folder, 'disk')
    mkdirSync(disk)
    const served = await serveFolder(folder, { cleanUp: onTestFinished, under: withDisks({ [disk]: 8 }) })
    const there = (name: string): string => seenBy(served, join(disk, name))
    writeFileSync(there('good.bin'), GOOD)
    writeFileSync(there('far.bin'), FAR)
    execFileSync('touch', ['-d', when, there('far.bin')])
    await served.image('disk/good.bin')
    const { modified } = await served.image('disk/far.bin', sha256(FAR))
    expect(modified).toMatch(/^\d{4}-\d\d-\d\dT/)
    expect((await bodyOf(served, '/disk/far.bin')).equals(FAR)).toBe(true)
    expect((await bodyOf(served, '/disk/good.bin')).equals(GOOD)).toBe(true)
    expect(await served.stop()).toBe(0)
    expect(served.stderr()).not.toContain('fault of this program')
  })

  it('(a name of more than 1 KiB of UTF-8) is not offered, and why is said', async () => {
    const folder = await stagingFolder({ 'good.bin': GOOD }, onTestFinished)
    // The longest that one segment may be on Linux is 255 bytes: 127 letters of two.
    const deep = Array.from({ length: 5 }, (_none, at) => `${at}${'\u00e9'.repeat(120)}`).join('/')
    mkdirSync(join(folder, deep), { recursive: true })
    writeFileSync(join(folder, deep, 'deep.bin'), FAR)
    const served = await serveFolder(folder, { cleanUp: onTestFinished })
    await served.image('good.bin')
    const snapshot = await shown(join(folder, '.fetchproof'), ({ notOffered }) => notOffered.length > 0)
    expect(snapshot.notOffered).toEqual([
      { name: `${deep}/deep.bin`, why: expect.stringContaining('longer than 1024 bytes') },
    ])
    expect((await bodyOf(served, '/good.bin')).equals(GOOD)).toBe(true)
    expect(ledgerEntries(folder).filter(({ kind }) => kind === 'image')).toHaveLength(1)
  })
})

describe('what a server that was killed left behind', () => {
  it('of a drop under way is swept at the next start, and nothing else is deleted', async () => {
    const folder = await stagingFolder({ 'good.bin': GOOD }, onTestFinished)
    const records = join(folder, '.fetchproof')
    const first = await serveFolder(folder, { cleanUp: onTestFinished })
    const port = await pagePortOf(records)
    const asked = request({
      host: '127.0.0.1',
      port,
      method: 'PUT',
      path: '/api/drop?name=fresh.bin',
      headers: { authorization: `Bearer ${readPageToken(records)}`, 'content-length': '5000000' },
    })
    asked.on('error', () => undefined)
    asked.write(imageBytes(1_000_000, 'fresh'))
    const drops = (): string[] => readdirSync(folder).filter((name) => name.startsWith('.fetchproof-drop-'))
    await expect.poll(drops, { timeout: 10_000 }).toHaveLength(1)
    const [own = ''] = drops()
    await first.kill()
    expect(drops()).toEqual([own])
    const others = [
      // A browser's download, in the way that drops were once named too.
      'fresh.bin.0a1b2c3d.part',
      'fresh.bin.crdownload',
      // A drop that is under way on a server with other records.
      own.replace(/-[0-9a-f]{8}-/, '-00000000-'),
      `${own}.bak`,
      '.fetchproof-drop-notes',
    ]
    for (const name of others) writeFileSync(join(folder, name), 'theirs')
    writeFileSync(join(records, `catalogue.json.${first.process.pid}.new`), 'half')
    await serveFolder(folder, { cleanUp: onTestFinished })
    await shown(records, ({ images }) => images.length > 0)
    const left = readdirSync(folder).filter((name) => name !== '.fetchproof')
    expect(new Set(left)).toEqual(new Set(['good.bin', ...others]))
    expect(readdirSync(records).filter((name) => name.endsWith('.new'))).toEqual([])
  })
})
