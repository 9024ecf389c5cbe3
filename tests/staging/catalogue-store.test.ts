import { createHash, createHmac } from 'node:crypto'
import { mkdir, readdir, readFile, rename, rm, stat, symlink, truncate, writeFile } from 'node:fs/promises'
import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest'
import type { FileIdentity } from '../../server/files/folder.ts'
import { type OnRecord, type OnRecordOf, openCatalogueStore } from '../../server/staging/catalogue-store.ts'
import { BLOCK_BYTES } from '../../server/staging/digest-threads.ts'
import type { Version } from '../../server/staging/image.ts'
import type { Judgement } from '../../server/staging/judge.ts'
import { type Stage, stage } from './stage.ts'

const identity: FileIdentity = {
  dev: 1n,
  ino: 2n ** 63n + 7n,
  size: 300_000n,
  mtimeNs: 1_700_000_000_123_456_789n,
  ctimeNs: 1_700_000_001_123_456_789n,
}
const blocks = new Uint8Array(64).fill(9)
const blocksSha256 = createHash('sha256').update(blocks).digest('hex')
const version: Version = {
  sha256: 'a'.repeat(64),
  bytes: 300_000,
  crc32: '01234567',
  blockBytes: BLOCK_BYTES,
  blocks,
  blocksSha256,
  identity,
  more: { md5: 'ab' },
}
const judgement: Judgement = {
  published: { standing: 'matches', algorithm: 'sha256', source: 'SHA256SUMS:3' },
  format: { kind: 'gzip', verdict: 'sound' },
  notes: ['a note'],
  holds: [],
  sure: true,
}

let place: Stage
let troubles: string[]
beforeEach(async () => {
  place = await stage()
  troubles = []
})
afterEach(() => place.close())

const file = () => place.path('.fetchproof/catalogue.json')
const ON_RECORD: OnRecord = {
  blocksSha256,
  crc32: version.crc32,
  published: judgement.published,
  format: judgement.format,
}
const open = (recorded: OnRecordOf = () => ON_RECORD) =>
  openCatalogueStore({
    file: file(),
    recorded,
    secret: SECRET,
    onTrouble: (message) => void troubles.push(message),
  })

const SECRET = 's'.repeat(43)
/** The file as whoever knows the secret would write it. */
function sealed(images: string): string {
  const seal = createHmac('sha256', SECRET).update(images).digest('hex')
  return `{"form":2,"seal":"${seal}","images":${images}}`
}

it.skipIf(process.platform === 'win32')(
  'digests were written through a link that took the place of the records folder',
  async () => {
    await mkdir(place.path('.fetchproof'))
    const store = await open()
    await rename(place.path('.fetchproof'), place.path('away'))
    await mkdir(place.path('elsewhere'))
    await symlink(place.path('elsewhere'), place.path('.fetchproof'))
    store.put('x.bin', version, judgement)
    await store.flush()
    expect(await readdir(place.path('elsewhere'))).toEqual([])
    expect(troubles).toEqual([expect.stringContaining('another folder or a link stands where')])
    await store.close()
  },
)

async function kept(name = 'x.bin'): Promise<void> {
  const store = await open()
  store.put(name, version, judgement)
  await store.close()
}

describe('kept digests', () => {
  it.each(['x.bin', 'sub/é ".bin', '__proto__', 'constructor'])(
    'come back for the same file (%s)',
    async (name) => {
      await kept(name)
      expect((await open()).find(name, identity)).toEqual({ version, judgement })
      expect((await open()).find('toString', identity)).toBeUndefined()
      expect(troubles).toEqual([])
    },
  )

  it.each<[string, Partial<FileIdentity>]>([
    // `touch -d @99999999999999`, as tmpfs keeps it.
    ['a modification time beyond any date', { mtimeNs: 99_999_999_999_999_000_000_000n }],
    ['a modification time long before any date', { mtimeNs: -99_999_999_999_999_000_000_000n }],
    ['a change time beyond any date', { ctimeNs: 99_999_999_999_999_000_000_000n }],
    ['an inode number with a sign', { ino: -7n }],
  ])('come back for a file with %s, and those of the others beside it', async (_what, odd) => {
    const store = await open()
    store.put('x.bin', version, judgement)
    const oddVersion = { ...version, identity: { ...identity, ...odd } }
    store.put('odd.bin', oddVersion, judgement)
    await store.close()
    const again = await open()
    expect(again.find('odd.bin', oddVersion.identity)?.version).toEqual(oddVersion)
    expect(again.find('x.bin', identity)?.version).toEqual(version)
    expect(troubles).toEqual([])
  })

  it.each<[string, Partial<FileIdentity>]>([
    ['size', { size: 300_001n }],
    ['modification time, by a nanosecond', { mtimeNs: identity.mtimeNs + 1n }],
    [
      'change time alone, since bytes may be changed with the old time put back',
      { ctimeNs: identity.ctimeNs + 1n },
    ],
    ['inode', { ino: 2n ** 63n + 8n }],
  ])('do not come back for a file of another %s', async (_what, other) => {
    await kept()
    expect((await open()).find('x.bin', { ...identity, ...other })).toBeUndefined()
  })

  it('are not believed without the ledger, nor against it', async () => {
    await kept()
    expect((await open(() => undefined)).find('x.bin', identity)).toBeUndefined()
    expect(
      (await open(() => ({ ...ON_RECORD, blocksSha256: 'b'.repeat(64) }))).find('x.bin', identity),
    ).toBeUndefined()
    const asked: string[] = []
    const store = await open((name, sha256) => {
      asked.push(`${name} ${sha256}`)
      return ON_RECORD
    })
    store.find('x.bin', identity)
    expect(asked).toEqual([`x.bin ${version.sha256}`])
  })

  it.each<[string, (text: string) => string]>([
    ['a block', (text) => text.replace('CQkJ', 'CQkK')],
    ['the block size', (text) => text.replace(`"blockBytes":${BLOCK_BYTES}`, '"blockBytes":1048576')],
    ['the CRC-32', (text) => text.replace(version.crc32, '76543210')],
    ['the number of blocks', (text) => text.replace(/"blocks":"[^"]*"/, '"blocks":"CQkJ"')],
  ])('do not come back when %s is another one, though sealed', async (_what, alter) => {
    await kept()
    const images = (await readFile(file(), 'utf8')).replace(/^.*?"images":/, '').slice(0, -1)
    await writeFile(file(), sealed(images))
    expect((await open()).find('x.bin', identity)?.version).toEqual(version)
    expect(alter(images)).not.toBe(images)
    await writeFile(file(), sealed(alter(images)))
    expect((await open()).find('x.bin', identity)).toBeUndefined()
    expect(troubles).toEqual([])
  })

  it.each<[string, (text: string) => string]>([
    ['a digest', (text) => text.replace('aaaa', 'aaab')],
    [
      'the seal',
      (text) => text.replace(/"seal":"./, (start) => start.replace(/.$/, start.endsWith('0') ? '1' : '0')),
    ],
    ['a blank at the end', (text) => `${text} `],
    ['the last byte', (text) => text.slice(0, -1)],
  ])('of which %s was altered were believed as far as the ledger said the same', async (_what, alter) => {
    await kept()
    const text = await readFile(file(), 'utf8')
    expect(alter(text)).not.toBe(text)
    await writeFile(file(), alter(text))
    expect((await open()).find('x.bin', identity)).toBeUndefined()
    expect(troubles).toEqual([expect.stringContaining('were not kept by you on this laptop')])
  })

  it('come back without further digests when the ledger says that a published checksum differed', async () => {
    await kept()
    const differed = { ...ON_RECORD, published: { standing: 'differs' as const } }
    expect((await open(() => differed)).find('x.bin', identity)?.version.more).toEqual({})
  })

  it('come back without a judgement whose format is not the one on record', async () => {
    await kept()
    const damaged = { ...ON_RECORD, format: { kind: 'gzip', verdict: 'damaged' as const } }
    const found = (await open(() => damaged)).find('x.bin', identity)
    expect(found?.version).toEqual(version)
    expect(found?.judgement).toBeUndefined()
  })

  it.each([
    '',
    '{',
    '[]',
    'null',
    '{"form":2,"images":{}}',
    '{"form":1,"images":{"x.bin":{"size":5}}}',
    '\0\0\0',
  ])('in a broken or foreign file (%j) are left alone, with a word about it', async (text) => {
    await mkdir(place.path('.fetchproof'))
    await writeFile(file(), text)
    const store = await open()
    expect(store.find('x.bin', identity)).toBeUndefined()
    expect(troubles).toEqual([expect.stringContaining('cannot be used')])
    store.put('x.bin', version, judgement)
    await store.close()
    expect((await open()).find('x.bin', identity)?.version).toEqual(version)
  })

  const another = (images: string): string => `{"form":2,"seal":"${'0'.repeat(64)}","images":${images}}`
  const record = JSON.stringify({ size: '300000', sha256: version.sha256, blocks: 7, more: 7 })

  it.each<[string, () => Promise<unknown>]>([
    ['numbers for texts', () => writeFile(file(), another(`{"x.bin":${record}}`))],
    ['a list for the images', () => writeFile(file(), another('[[[]]]'))],
    [
      'keys of the prototype',
      () => writeFile(file(), another('{"__proto__":{"x.bin":1},"constructor":{},"toString":1}')),
    ],
    [
      'names that lead out',
      () => writeFile(file(), another(`{"../../x.bin":${record},"/etc/hostname":${record}}`)),
    ],
    ['depth without end', () => writeFile(file(), another('{"a":'.repeat(1_000_000)))],
    [
      '65 MiB of nothing',
      async () => {
        await writeFile(file(), '')
        await truncate(file(), 65 * 1024 * 1024)
      },
    ],
    ['a folder', () => mkdir(file())],
    ['a link out', () => symlink(place.path('elsewhere'), file())],
  ])('that were made to hurt (%s) are not even parsed', async (_what, plant) => {
    await mkdir(place.path('.fetchproof'))
    await writeFile(place.path('elsewhere'), sealed('{}'))
    await plant()
    const parsed = vi.spyOn(JSON, 'parse')
    const store = await open()
    expect(parsed).not.toHaveBeenCalled()
    parsed.mockRestore()
    expect(store.find('x.bin', identity)).toBeUndefined()
    expect(troubles).toEqual([expect.stringContaining('cannot be used')])
    expect(await readFile(place.path('elsewhere'), 'utf8')).toBe(sealed('{}'))
  })

  it('are gone once removed, and nothing is left beside the file', async () => {
    await kept()
    const store = await open()
    store.remove('x.bin')
    await store.close()
    expect((await open()).find('x.bin', identity)).toBeUndefined()
    expect(await readdir(place.path('.fetchproof'))).toEqual(['catalogue.json'])
  })

  it('are written once for many changes, and not at all for none', async () => {
    const store = await open()
    await store.flush()
    await expect(stat(file())).rejects.toMatchObject({ code: 'ENOENT' })
    for (let at = 0; at < 100; at += 1) store.put(`${at}.bin`, version, judgement)
    await expect(stat(file())).rejects.toMatchObject({ code: 'ENOENT' })
    await store.flush()
    const first = await stat(file(), { bigint: true })
    await store.close()
    expect((await stat(file(), { bigint: true })).ino).toBe(first.ino)
  })

  it('that cannot be written are a word of trouble, said once, never a failure', async () => {
    await writeFile(place.path('.fetchproof'), 'a file where the folder should be')
    const store = await open()
    for (const name of ['a', 'b']) {
      store.put(name, version, judgement)
      await store.flush()
    }
    await store.close()
    expect(troubles).toEqual([expect.stringContaining('cannot be kept')])
    expect(store.find('a', identity)?.version).toEqual(version)
  })

  it('that could not be written are written once they can be, though nothing else changes', async () => {
    // Nothing can be renamed over a folder that is not empty.
    await mkdir(place.path('.fetchproof/catalogue.json/in the way'), { recursive: true })
    const store = await open()
    store.put('x.bin', version, judgement)
    await store.flush()
    expect(troubles.at(-1)).toContain('cannot be kept')
    await rm(file(), { recursive: true })
    await expect.poll(() => stat(file()).then((stats) => stats.isFile()), { timeout: 15_000 }).toBe(true)
    await store.close()
    expect((await open()).find('x.bin', identity)?.version).toEqual(version)
    expect(await readdir(place.path('.fetchproof'))).toEqual(['catalogue.json'])
  })
})
