/** Catalogue, judge, checksums and worker together, over real files. Needs the built program (`npm run build`). */
import { createHash } from 'node:crypto'
import { rm, writeFile } from 'node:fs/promises'
import { gzipSync } from 'node:zlib'
import { afterAll, afterEach, beforeAll, beforeEach, describe, expect, it } from 'vitest'
import type { Catalogue } from '../../server/staging/catalogue.ts'
import { createFormatChecker, type FormatChecker } from '../../server/trust/formats/check-queue.ts'
import { createJudge, type JudgeDeps } from '../../server/trust/judgement.ts'
import {
  createPublishedChecksums,
  type PublishedChecksums,
} from '../../server/trust/published/published-checksums.ts'
import { type Stage, stage, until } from '../staging/stage.ts'

let staged: Stage
let formats: FormatChecker
let catalogue: Catalogue | undefined
let checksums: PublishedChecksums
beforeAll(() => {
  formats = createFormatChecker()
})
afterAll(() => formats.close())
beforeEach(async () => {
  staged = await stage()
})
afterEach(async () => {
  await staged.close()
  catalogue = undefined
})

async function open(differed?: JudgeDeps['differed']): Promise<Catalogue> {
  checksums = createPublishedChecksums({
    imageNames: () => (catalogue?.images() ?? []).map(({ name }) => name),
  })
  catalogue = await staged.open({
    judge: createJudge({ folder: staged.folder, checksums, formats, differed }),
  })
  return catalogue
}

const WHOLE = gzipSync(Buffer.alloc(200_000, 'county library'))
const sha256 = (content: Uint8Array) => createHash('sha256').update(content).digest('hex')

describe('a staging folder that is judged', () => {
  it('offers what is whole, holds what is cut off, and lets it pass once its checksum is published', async () => {
    const short = WHOLE.subarray(0, 300)
    await writeFile(staged.path('whole.gz'), WHOLE)
    await writeFile(staged.path('short.gz'), short)
    await writeFile(
      staged.path('SHA512SUMS'),
      `${createHash('sha512').update(WHOLE).digest('hex')}  whole.gz\n`,
    )
    const here = await open()
    const whole = await until(here, 'whole.gz', (image) => image?.state === 'ready')
    expect(whole).toMatchObject({
      published: { standing: 'matches', algorithm: 'sha512' },
      format: { verdict: 'sound' },
    })
    const held = await until(here, 'short.gz', (image) => image?.state === 'held')
    expect(held?.reason).toContain('gzip data is damaged')
    await writeFile(staged.path('short.gz.sha256'), sha256(short))
    const passed = await until(here, 'short.gz', (image) => image?.state === 'ready')
    expect(passed?.notes.join()).toContain('It is served all the same')
    expect(here.get('SHA512SUMS')).toBeUndefined()
  })

  it('holds an image when a checksum that differs is published, and frees it when the right one is', async () => {
    await writeFile(staged.path('x.gz'), WHOLE)
    const here = await open()
    await until(here, 'x.gz', (image) => image?.state === 'ready')
    await writeFile(staged.path('SHA256SUMS'), `${'0'.repeat(64)}  x.gz\n`)
    const held = await until(here, 'x.gz', (image) => image?.state === 'held')
    expect(held?.published.standing).toBe('differs')
    await writeFile(staged.path('SHA256SUMS'), `${sha256(WHOLE)}  x.gz\n`)
    const freed = await until(here, 'x.gz', (image) => image?.state === 'ready')
    expect(freed?.published.standing).toBe('matches')
  })

  it.each([
    ['removed', (file: string) => rm(file)],
    ['emptied', (file: string) => writeFile(file, '')],
  ])('keeps the hold when the checksum that differs is %s', async (_how, undo) => {
    await writeFile(staged.path('x.gz'), WHOLE)
    await writeFile(staged.path('SHA256SUMS'), `${'0'.repeat(64)}  x.gz\n`)
    const here = await open()
    await until(here, 'x.gz', (image) => image?.state === 'held')
    await undo(staged.path('SHA256SUMS'))
    const kept = await until(
      here,
      'x.gz',
      (image) => image?.state !== 'held' || image.reason?.includes('not to be found any more') === true,
    )
    expect(kept).toMatchObject({ state: 'held', published: { standing: 'differs' } })
    expect(kept?.reason).toMatch(
      /Its SHA-256 was not the published one \(SHA256SUMS, line 1\).*lift the hold/,
    )
  })

  it('keeps the hold over a restart, by what the ledger knows, when the checksum went meanwhile', async () => {
    await writeFile(staged.path('x.gz'), WHOLE)
    const published = { standing: 'differs', algorithm: 'sha256', source: 'SHA256SUMS, line 1' } as const
    const here = await open((name, digest) =>
      name === 'x.gz' && digest === sha256(WHOLE) ? published : undefined,
    )
    const held = await until(here, 'x.gz', (image) => image?.state === 'held' || image?.state === 'ready')
    expect(held).toMatchObject({ state: 'held', published })
  })
})

describe('a text under any name', () => {
  const right = `${sha256(WHOLE)}  x.gz\n`
  const wrong = `${'0'.repeat(64)}  x.gz\n`
  const notes = (digest: string) =>
    `Release 4.2\n\nRead this before you begin.\nThe SHA-256 of x.gz is ${digest}.\n`

  beforeEach(() => writeFile(staged.path('x.gz'), WHOLE))

  it.each([
    ['release-4.2.txt', notes],
    ['README.md', notes],
    ['page.html', (digest: string) => `<p>x.gz</p>\n<p>SHA-256: <code>${digest}</code></p>\n`],
    ['manifest.json', (digest: string) => JSON.stringify({ files: [{ name: 'x.gz', sha256: digest }] })],
    [
      'install.sh',
      (digest: string) => `#!/bin/sh\nset -e\n# checks first\necho "${digest}  x.gz" | sha256sum -c\n`,
    ],
  ])('holds an image by what it says, and frees it: %s', async (name, text) => {
    await writeFile(staged.path(name), text('0'.repeat(64)))
    const here = await open()
    const held = await until(here, 'x.gz', (image) => image?.state === 'held')
    expect(held?.reason).toContain(`SHA-256 is not the published one (${name}, line `)
    await writeFile(staged.path(name), text(sha256(WHOLE)))
    const freed = await until(here, 'x.gz', (image) => image?.state === 'ready')
    expect(freed?.published).toMatchObject({ standing: 'matches', source: expect.stringContaining(name) })
    await rm(staged.path(name))
    await until(here, 'x.gz', (image) => image?.published.standing === 'none')
  })

  it.each(['Digests of release 4.2', 'x.gz.sums-of-all', 'MANIFEST', 'x.gz.bin'])(
    'is given to nobody when it is a list of checksums, until a person lifts that: %s',
    async (name) => {
      await writeFile(staged.path(name), right)
      const here = await open()
      await until(here, 'x.gz', (image) => image?.published.standing === 'matches')
      const list = await until(here, name, (image) => image?.state === 'held' || image?.state === 'ready')
      expect(list).toMatchObject({
        state: 'held',
        reason: expect.stringContaining('It is a list of checksums'),
      })
      expect(list?.hold?.reasons).toMatchObject([{ cause: 'list of checksums' }])
    },
  )

  it.each([
    [
      'a manifest for phones',
      'phone.manifest',
      `VERSION 4.2\nSERVER 192.0.2.1\nLOAD x.gz\nRINGS rings.dat\nMD5 ${'0'.repeat(32)}\n`,
    ],
    ['a script with one in it', 'install.sh', `#!/bin/sh\n${right}`],
    ['an installer with one in its head', 'install.run', `#!/bin/sh\n# x\n${right}exit 0\n\0\0\u0001binary`],
    ['Intel HEX', 'boot.hex', ':0300300002337A1E\n:00000001FF\n'],
    ['S-record', 'boot.s19', 'S00600004844521B\nS9030000FC\n'],
    [
      'a configuration with one',
      'switch.cfg',
      `hostname lobby\nboot system x.gz\nverify md5 ${'a'.repeat(32)}\n`,
    ],
    ['one number of a key', 'licence', `${'ab'.repeat(32)}\n`],
  ])('is offered as ever: %s', async (_what, name, text) => {
    await writeFile(staged.path(name), text)
    const here = await open()
    const image = await until(here, name, (now) => now?.state === 'held' || now?.state === 'ready')
    expect([image?.state, image?.reason]).toEqual(['ready', undefined])
  })

  it.each([
    ['a log', 'console.log', `lobby# verify\n${wrong}`, /A log is not what the maker publishes/],
    [
      'our table of images',
      'images.txt',
      `Image  State  Bytes  SHA-256  Path\nx.gz  ready  9  ${'0'.repeat(64)}  /x.gz\n`,
      /record that this program made/,
    ],
    [
      'our report',
      'report.html',
      `<!doctype html>\n<title>Site visit record: lobby</title>\n<p>x.gz ${'0'.repeat(64)}</p>\n`,
      /record that this program made/,
    ],
    [
      'our audit',
      'audit.csv',
      `begun,client,image,sha256\n2026-11-25,192.0.2.1,x.gz,${'0'.repeat(64)}\n`,
      /record that this program made/,
    ],
    [
      'our images as JSON',
      'images.json',
      JSON.stringify({ images: [{ name: 'x.gz', plainPath: '/x.gz', sha256: '0'.repeat(64) }] }),
      /record that this program made/,
    ],
  ])('is no witness, and that is said: %s', async (_what, name, text, why) => {
    await writeFile(staged.path(name), text)
    const here = await open()
    const image = await until(here, 'x.gz', (now) => now?.state === 'held' || now?.state === 'ready')
    expect(image?.state).toBe('ready')
    expect(checksums.unused()).toMatchObject([
      { file: name, reason: expect.stringMatching(why), image: 'x.gz' },
    ])
    expect(image?.notes.join()).toMatch(why)
  })

  it('that is too long is said once, when it looks like one', async () => {
    const long = Buffer.alloc(17 * 1024 * 1024, '\n')
    await writeFile(staged.path('prose.txt'), long)
    long.write(wrong)
    await writeFile(staged.path('hashes.txt'), long)
    await writeFile(staged.path('notes.txt'), long)
    const here = await open()
    await until(here, 'x.gz', (image) => image?.state === 'ready')
    expect(
      checksums
        .unused()
        .map(({ file, line }) => [file, line])
        .sort(),
    ).toEqual([
      ['hashes.txt', 0],
      ['notes.txt', 0],
    ])
    expect(checksums.unused()[0]?.reason).toContain(`longer than ${16 * 1024 * 1024} bytes`)
  })
})

describe('a checksum file that cannot be read', () => {
  it('is tried again until it can, and said once', async () => {
    let fails = true
    const said: string[] = []
    await writeFile(staged.path('x.gz'), WHOLE)
    await writeFile(staged.path('SHA256SUMS'), `${sha256(WHOLE)}  x.gz\n`)
    const checksums = createPublishedChecksums({ imageNames: () => ['x.gz'] })
    const judge = createJudge({ folder: staged.folder, checksums, formats })
    catalogue = await staged.open({
      judge: {
        ...judge,
        async checksumFileChanged(name, gone) {
          if (fails) throw new Error('EBUSY')
          await judge.checksumFileChanged?.(name, gone)
        },
      },
    })
    catalogue.events.on('trouble', (message) => said.push(message))
    await until(catalogue, 'x.gz', (image) => image?.state === 'ready')
    await catalogue.rescan()
    await catalogue.rescan()
    fails = false
    const ready = await until(catalogue, 'x.gz', (image) => image?.published.standing === 'matches')
    expect(ready?.state).toBe('ready')
    expect(said).toEqual([expect.stringMatching(/SHA256SUMS could not be read.*tried again.*EBUSY/)])
  })
})
