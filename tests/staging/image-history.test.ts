/** What the ledger's entries tell of images, and which entries an image still wants. */
import { expect, test } from 'vitest'
import type { NewEntry } from '../../server/ledger/entries.ts'
import type { Image, Version } from '../../server/staging/image.ts'
import { createImageHistory } from '../../server/staging/image-history.ts'
import { recorded } from '../ledger/recorded.ts'

const SHA = 'a'.repeat(64)

function historyOf(...entries: readonly NewEntry[]) {
  const history = createImageHistory()
  let seq = 0
  const take = (entry: NewEntry): void => {
    seq += 1
    history.apply(recorded(entry, seq))
  }
  for (const entry of entries) take(entry)
  return { history, take }
}

const pasted = (digest: string, also?: true): NewEntry => ({
  kind: 'published',
  name: 'reading-room.bin',
  algorithm: 'sha256',
  digest,
  by: 'engineer',
  ...(also && { also }),
})

test('the last pasting counts: two wrong ones in a row and the right one are three, a digest more of one is one', () => {
  const { history } = historyOf(pasted('1'), pasted('2'), pasted('3'))
  expect(history.pasted()).toMatchObject([
    { name: 'reading-room.bin', digests: [{ digest: '3' }], by: 'engineer' },
  ])
  const { history: both } = historyOf(pasted('1'), pasted('2'), pasted('3', true))
  expect(both.pasted()).toMatchObject([{ digests: [{ digest: '2' }, { digest: '3' }], by: 'engineer' }])
})

test('an image that is held again for the same reason, after it was freed, is on record as held again', () => {
  const { history, take } = historyOf()
  const version = { sha256: SHA, bytes: 1, crc32: '', blockBytes: 1, blocksSha256: SHA } as Version
  const image = (state: 'ready' | 'held'): Image =>
    ({
      name: 'reading-room.bin',
      plainPath: '/reading-room.bin',
      digestPath: '/aaaaaaaa.bin',
      modifiedMs: 0,
      version,
      state,
      ...(state === 'held' && {
        hold: { reasons: [{ cause: 'differs', reason: 'Its SHA-256 is not the published one.' }] },
      }),
      published: { standing: state === 'held' ? 'differs' : 'matches' },
      format: { kind: 'unknown', verdict: 'unknown' },
      notes: [],
    }) as unknown as Image
  const written = (state: 'ready' | 'held'): string[] => {
    const entries = history.entriesFor(image(state))
    for (const entry of entries) take(entry)
    return entries.map(({ kind }) => kind)
  }
  expect(written('held')).toEqual(['image', 'held'])
  expect(history.differed('reading-room.bin', SHA)).toEqual({ standing: 'differs' })
  expect(written('held')).toEqual([])
  expect(written('ready')).toEqual(['image'])
  expect(history.differed('reading-room.bin', SHA)).toBeUndefined()
  expect(written('held')).toEqual(['image', 'held'])
})

test('what was pasted by mistake and struck counts no more, and what it had replaced counts again', () => {
  const strike = (strikes: number): NewEntry => ({
    kind: 'struck',
    strikes,
    reason: 'wrong file',
    by: 'engineer',
  })
  const text = (...entries: NewEntry[]) =>
    historyOf(...entries)
      .history.pasted()
      .map((one) => one.digests.map(({ digest }) => digest).join())
  expect(text(pasted('1'), pasted('2'), strike(2))).toEqual(['1'])
  expect(text(pasted('1'), pasted('2'), pasted('3', true), strike(2))).toEqual(['3'])
  expect(text(pasted('1'), pasted('2'), pasted('3', true), strike(2), strike(3))).toEqual(['1'])
  expect(text(pasted('1'), strike(1))).toEqual([])
})

test('a difference from a pasted checksum goes with the striking of that checksum, in older ledgers too', () => {
  const { history, take } = historyOf(pasted('1'), pasted('2'))
  const differs = { standing: 'differs', algorithm: 'sha256', source: 'pasted by engineer' } as const
  expect(history.struck('reading-room.bin', { ...differs, digest: '1' })).toBe(false)
  take({ kind: 'struck', strikes: 1, reason: 'wrong file', by: 'engineer' })
  expect(history.struck('reading-room.bin', { ...differs, digest: '1' })).toBe(true)
  expect(history.struck('reading-room.bin', { ...differs, digest: '2' })).toBe(false)
  expect(history.struck('reading-room.bin', differs)).toBe(false)
  take({ kind: 'struck', strikes: 2, reason: 'wrong file', by: 'engineer' })
  expect(history.struck('reading-room.bin', differs)).toBe(true)
  expect(history.struck('reading-room.bin', { ...differs, source: 'SHA256SUMS, line 1' })).toBe(false)
})
