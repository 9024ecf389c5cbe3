/** Catalogue, judge, book and worker together, over real files. Needs the built program (`npm run build`). */
import { createHash } from 'node:crypto'
import { rm, writeFile } from 'node:fs/promises'
import { gzipSync } from 'node:zlib'
import { afterEach, beforeEach, describe, expect, it } from 'vitest'
import type { Catalogue } from '../../server/staging/catalogue.ts'
import { createFormatChecker, type FormatChecker } from '../../server/trust/formats/checker.ts'
import { createJudge, type JudgeDeps } from '../../server/trust/judgement.ts'
import { createPublishedBook } from '../../server/trust/published/book.ts'
import { type Stage, stage, until } from '../staging/stage.ts'

let staged: Stage
let formats: FormatChecker
let catalogue: Catalogue | undefined
beforeEach(async () => {
  staged = await stage()
  formats = createFormatChecker()
})
afterEach(async () => {
  await staged.close()
  await formats.close()
  catalogue = undefined
})

async function open(differed?: JudgeDeps['differed']): Promise<Catalogue> {
  const book = createPublishedBook({ imageNames: () => (catalogue?.images() ?? []).map(({ name }) => name) })
  catalogue = await staged.open({ judge: createJudge({ folder: staged.folder, book, formats, differed }) })
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

describe('a checksum file that cannot be read', () => {
  it('is tried again until it can, and said once', async () => {
    let fails = true
    const said: string[] = []
    await writeFile(staged.path('x.gz'), WHOLE)
    await writeFile(staged.path('SHA256SUMS'), `${sha256(WHOLE)}  x.gz\n`)
    const book = createPublishedBook({ imageNames: () => ['x.gz'] })
    const judge = createJudge({ folder: staged.folder, book, formats })
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
