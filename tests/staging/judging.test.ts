import { createHash } from 'node:crypto'
import { readFileSync } from 'node:fs'
import { rm, writeFile } from 'node:fs/promises'
import { afterEach, beforeEach, describe, expect, it } from 'vitest'
import type { HoldReason } from '../../server/ledger/entries.ts'
import type { Image } from '../../server/staging/image.ts'
import { type Judge, type JudgeInput, NO_FORMAT } from '../../server/staging/judge.ts'
import { byPerson, next, type Stage, stage, until, withDecisions } from './stage.ts'

const sha256 = (content: string) => createHash('sha256').update(content).digest('hex')
const isState = (state: string) => (image: Image | undefined) => image?.state === state

let place: Stage
beforeEach(async () => {
  place = await stage()
})
afterEach(() => place.close())

/** Compares with `NAME.sha256` beside the image, as a judge would. */
function sidecarJudge(): Judge & { readonly inputs: JudgeInput[] } {
  const published = new Map<string, string>()
  const inputs: JudgeInput[] = []
  return {
    inputs,
    isChecksumFile: (name) => name.endsWith('.sha256'),
    checksumFileChanged(name, gone) {
      if (!name.endsWith('.sha256')) return false
      const image = name.replace(/\.sha256$/, '')
      if (gone) published.delete(image)
      else published.set(image, readFileSync(place.path(name), 'utf8').slice(0, 64))
      return true
    },
    async judge(input) {
      inputs.push(input)
      const value = published.get(input.name)
      const format = input.earlier?.format ?? NO_FORMAT
      if (value === undefined)
        return { published: { standing: 'none' }, format, notes: [], holds: [], sure: false }
      if (value === input.version.sha256) {
        return {
          published: { standing: 'matches', algorithm: 'sha256' },
          format,
          notes: [],
          holds: [],
          sure: true,
        }
      }
      const holds = [{ cause: `differs sha256 ${value}`, reason: 'It differs from the published checksum.' }]
      return {
        published: { standing: 'differs', algorithm: 'sha256' },
        format,
        notes: [],
        holds,
        sure: false,
      }
    },
  }
}

describe('a judged image', () => {
  it('knows the checksum files that were there at the start before it is judged', async () => {
    await writeFile(place.path('a.bin'), 'x')
    await writeFile(place.path('a.bin.sha256'), sha256('other'))
    const judge = sidecarJudge()
    const catalogue = await place.open({ judge })
    const states: string[] = []
    catalogue.events.on('judged', ({ state }) => states.push(state))
    await until(catalogue, 'a.bin', isState('held'))
    expect(states).toEqual(['held'])
    expect(catalogue.images().map(({ name }) => name)).toEqual(['a.bin'])
  })

  it('is held as soon as a checksum file contradicts it, and free again when that is corrected', async () => {
    await writeFile(place.path('a.bin'), 'x')
    const catalogue = await place.open({ judge: sidecarJudge() })
    await until(catalogue, 'a.bin', isState('ready'))
    const lost = next(catalogue.events, 'lost')
    await writeFile(place.path('a.bin.sha256'), sha256('other'))
    expect((await lost)[1]).toBe('held')
    expect(await until(catalogue, 'a.bin', isState('held'))).toMatchObject({
      reason: 'It differs from the published checksum.',
      published: { standing: 'differs' },
    })
    await writeFile(place.path('a.bin.sha256'), `${sha256('x')}  a.bin\n`)
    expect(await until(catalogue, 'a.bin', isState('ready'))).toMatchObject({
      published: { standing: 'matches' },
    })
    await rm(place.path('a.bin.sha256'))
    await until(catalogue, 'a.bin', (image) => image?.published.standing === 'none')
    expect(catalogue.get('a.bin')?.state).toBe('ready')
  })

  it('is ready at once when its checksum arrives while nothing else vouched for it', async () => {
    await writeFile(place.path('a.bin'), 'x')
    const catalogue = await place.open({ judge: sidecarJudge(), times: { settleUnsureMs: 60_000 } })
    await until(catalogue, 'a.bin', (image) => image?.version !== undefined && isState('settling')(image))
    await writeFile(place.path('a.bin.sha256'), sha256('x'))
    await until(catalogue, 'a.bin', isState('ready'))
  })

  it('is not held before the long quiet time is over: half a copy differs too', async () => {
    await writeFile(place.path('a.bin.sha256'), sha256('both halves'))
    await writeFile(place.path('a.bin'), 'both ')
    const catalogue = await place.open({ judge: sidecarJudge(), times: { settleUnsureMs: 2_000 } })
    const states: string[] = []
    catalogue.events.on('changed', ({ state }) => states.push(state))
    await until(catalogue, 'a.bin', (image) => image?.published.standing === 'differs')
    await writeFile(place.path('a.bin'), 'both halves')
    await until(catalogue, 'a.bin', isState('ready'))
    expect(states).not.toContain('held')
  })

  it('is handed its earlier judgement, so that an unchanged file need not be opened', async () => {
    await writeFile(place.path('a.bin'), 'x')
    const judge = sidecarJudge()
    const catalogue = await place.open({ judge })
    await catalogue.idle()
    expect(judge.inputs.map(({ earlier }) => earlier)).toEqual([undefined])
    await catalogue.rejudge()
    expect(judge.inputs.at(-1)?.earlier).toMatchObject({ published: { standing: 'none' } })
  })

  it('was left on offer though it differed, when it was judged for two causes at once', async () => {
    await writeFile(place.path('a.bin'), 'x')
    const silent = { published: { standing: 'none' as const }, format: NO_FORMAT, notes: [], sure: false }
    let holds: HoldReason[] = []
    const catalogue = await place.open({ judge: { judge: async () => ({ ...silent, holds }) } })
    await until(catalogue, 'a.bin', isState('ready'))
    holds = [{ cause: 'differs', reason: 'It differs from the published checksum.' }]
    await Promise.all([catalogue.rejudge('a.bin'), catalogue.rejudge('a.bin')])
    expect(catalogue.get('a.bin')?.state).toBe('held')
  })

  it('gives the judge any digest it asks for', async () => {
    await writeFile(place.path('a.bin'), 'abc')
    const digests: string[] = []
    const catalogue = await place.open({
      judge: {
        async judge({ digest }) {
          digests.push(await digest('md5'), await digest('crc32'))
          return { published: { standing: 'none' }, format: NO_FORMAT, notes: [], holds: [], sure: true }
        },
      },
    })
    await until(catalogue, 'a.bin', isState('ready'))
    // RFC 1321 A.5; the CRC-32 of "abc" is from memory
    expect(digests).toEqual(['900150983cd24fb0d6963f7d28e17f72', '352441c2'])
  })

  it('is held when it could not be checked', async () => {
    await writeFile(place.path('a.bin'), 'x')
    const catalogue = await place.open({ judge: { judge: () => Promise.reject(new Error('no such table')) } })
    expect(await until(catalogue, 'a.bin', isState('held'))).toMatchObject({
      reason: expect.stringContaining('no such table'),
    })
  })
})

describe('a held image', () => {
  it('is ready when a person lifts that version, and held again when the file changes', async () => {
    await writeFile(place.path('a.bin'), 'x')
    await writeFile(place.path('a.bin.sha256'), sha256('other'))
    const { catalogue, lift } = await withDecisions(place, { judge: sidecarJudge() })
    await until(catalogue, 'a.bin', isState('held'))
    lift(sha256('not this one'))
    expect(catalogue.get('a.bin')?.state).toBe('held')
    lift()
    expect(catalogue.get('a.bin')).toMatchObject({ state: 'ready', lifted: byPerson })
    await catalogue.rejudge()
    expect(catalogue.get('a.bin')).toMatchObject({ state: 'ready', lifted: byPerson })
    await writeFile(place.path('a.bin'), 'y')
    const again = await until(
      catalogue,
      'a.bin',
      (image) => image?.version?.sha256 === sha256('y') && isState('held')(image),
    )
    expect(again).not.toHaveProperty('lifted')
  })

  it('is held again by another reason than the one that was lifted, and says that one was lifted', async () => {
    await writeFile(place.path('a.bin'), 'x')
    await writeFile(place.path('a.bin.sha256'), sha256('other'))
    const { catalogue, lift } = await withDecisions(place, { judge: sidecarJudge() })
    await until(catalogue, 'a.bin', isState('held'))
    lift()
    const lost = next(catalogue.events, 'lost')
    await writeFile(place.path('a.bin.sha256'), sha256('a third'))
    expect((await lost)[1]).toBe('held')
    const image = await until(catalogue, 'a.bin', isState('held'))
    expect(image?.reason).toContain('It differs from the published checksum.')
    expect(image?.reason).toContain('A hold was lifted before, by an engineer (compared by telephone)')
    lift()
    expect(catalogue.get('a.bin')?.state).toBe('ready')
    await writeFile(place.path('a.bin.sha256'), sha256('other'))
    await until(catalogue, 'a.bin', isState('ready'))
  })

  it('may be held by a person, stays so when judged again, and is free after a lift', async () => {
    await writeFile(place.path('a.bin'), 'x')
    const { catalogue, hold, lift } = await withDecisions(place, { judge: sidecarJudge() })
    await until(catalogue, 'a.bin', isState('ready'))
    const lost = next(catalogue.events, 'lost')
    hold('wrong hardware revision')
    expect((await lost)[1]).toBe('held')
    await writeFile(place.path('a.bin.sha256'), sha256('x'))
    await until(catalogue, 'a.bin', (image) => image?.published.standing === 'matches')
    expect(catalogue.get('a.bin')).toMatchObject({
      state: 'held',
      reason: 'Held by an engineer: wrong hardware revision',
    })
    lift()
    expect(catalogue.get('a.bin')?.state).toBe('ready')
    hold('it bricked the second one')
    expect(catalogue.get('a.bin')?.state).toBe('held')
  })

  it('is held again when the lift is struck', async () => {
    await writeFile(place.path('a.bin'), 'x')
    await writeFile(place.path('a.bin.sha256'), sha256('other'))
    const { catalogue, lift, take } = await withDecisions(place, { judge: sidecarJudge() })
    await until(catalogue, 'a.bin', isState('held'))
    lift()
    expect(catalogue.get('a.bin')?.state).toBe('ready')
    take({ kind: 'struck', strikes: 1, reason: 'lifted the wrong one', by: 'an engineer' })
    expect(catalogue.get('a.bin')).toMatchObject({
      state: 'held',
      reason: 'It differs from the published checksum.',
    })
  })
})

describe('plain paths in the catalogue', () => {
  it('stay with the file that had them first; the newcomer says why it has another', async () => {
    await writeFile(place.path('core switch.bin'), 'x')
    const catalogue = await place.open()
    await until(catalogue, 'core switch.bin', isState('ready'))
    await writeFile(place.path('core-switch.bin'), 'y')
    const newcomer = await until(catalogue, 'core-switch.bin', isState('ready'))
    expect(catalogue.get('core switch.bin')?.plainPath).toBe('/core-switch.bin')
    expect(newcomer?.plainPath).toBe(`/core-switch-${sha256('y').slice(0, 6)}.bin`)
    expect(newcomer?.notes).toEqual([expect.stringContaining('core switch.bin')])
  })

  it('stay with the file of an earlier run that the ledger names', async () => {
    await writeFile(place.path('core-switch.bin'), 'y')
    const catalogue = await place.open({
      offered: (path) => (path === '/core-switch.bin' ? 'core switch.bin' : undefined),
    })
    const image = await until(catalogue, 'core-switch.bin', isState('ready'))
    expect(image?.plainPath).toBe(`/core-switch-${sha256('y').slice(0, 6)}.bin`)
  })

  it('come with a word about names that browsers made', async () => {
    for (const name of ['image (1).bin', 'image.bin.html.bin', 'two.zip.bin', 'fine.tar.gz', 'v1.2.bin']) {
      await writeFile(place.path(name), name)
    }
    const catalogue = await place.open()
    await catalogue.idle()
    const noted = catalogue.images().filter(({ notes }) => notes.length > 0)
    expect(noted.map(({ name }) => name)).toEqual(['image (1).bin', 'image.bin.html.bin', 'two.zip.bin'])
  })
})
