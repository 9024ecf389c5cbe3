/** What persons decided about holds, out of entries: of this version of the program and of earlier ones. */
import { describe, expect, test } from 'vitest'
import type { HoldReason, NewEntry, NewEntryOf } from '../../server/ledger/entries.ts'
import { createHolds } from '../../server/staging/holds.ts'
import { recorded } from '../ledger/recorded.ts'

const NAME = 'stacks.bin'
const SHA = 'a'.repeat(64)
const DAMAGED: HoldReason = { cause: 'damaged gzip', reason: 'The gzip data is damaged (at byte 9).' }
const DIFFERS: HoldReason = {
  cause: `differs sha256 ${'b'.repeat(64)}`,
  reason: 'Its SHA-256 is not the published one (SHA256SUMS, line 1).',
}
const LATER: HoldReason = {
  cause: `differs sha256 ${'c'.repeat(64)}`,
  reason: 'Its SHA-256 is not the published one (stacks.bin.sha256, line 1).',
}
const lift = (...reasons: HoldReason[]): NewEntry => ({
  kind: 'lifted',
  name: NAME,
  sha256: SHA,
  reason: 'telephoned',
  by: 'engineer',
  reasons,
})
const OLD_LIFT: NewEntry = { kind: 'lifted', name: NAME, sha256: SHA, reason: 'telephoned', by: 'engineer' }
const HELD: NewEntry = { kind: 'held', name: NAME, sha256: SHA, reason: 'it bricked one', by: 'engineer' }
const strike = (strikes: number): NewEntry => ({
  kind: 'struck',
  strikes,
  reason: 'mistaken',
  by: 'engineer',
})

function image(
  published: NewEntryOf<'image'>['published'],
  verdict: 'sound' | 'damaged',
): NewEntryOf<'image'> {
  return {
    kind: 'image',
    name: NAME,
    plainPath: `/${NAME}`,
    digestPath: '/aaaaaaaa.bin',
    bytes: 1,
    sha256: SHA,
    crc32: '00000000',
    blockBytes: 1,
    blocksSha256: SHA,
    modified: '2026-03-03T18:00:00.000Z',
    published,
    format: { kind: 'gzip', verdict },
    notes: [],
  }
}

const NONE = { standing: 'none' } as const
const SUMS = { standing: 'differs', algorithm: 'sha256', source: 'SHA256SUMS, line 1' } as const

/** Causes that hold the image after these entries, where the program finds all of `found`. */
function held(entries: readonly NewEntry[], ...found: readonly HoldReason[]): string[] {
  let image: NewEntryOf<'image'> | undefined
  const holds = createHolds(() => image)
  for (const [at, entry] of entries.entries()) {
    if (entry.kind === 'image') image = entry
    holds.apply(recorded(entry, at + 1))
  }
  return (holds.decide(NAME, SHA, found).hold?.reasons ?? []).map(({ cause }) => cause)
}

describe('a lift', () => {
  test('lifts what it names: another reason, and another published digest, holds', () => {
    expect(held([lift(DAMAGED)], DAMAGED)).toEqual([])
    expect(held([lift(DAMAGED)], DAMAGED, DIFFERS)).toEqual([DIFFERS.cause])
    expect(held([lift(DIFFERS)], LATER)).toEqual([LATER.cause])
    expect(held([lift(DAMAGED), lift(DIFFERS)], DAMAGED, DIFFERS)).toEqual([])
  })

  test('ends a hold by hand; a later one holds', () => {
    expect(held([HELD])).toEqual(['by hand'])
    expect(held([HELD, lift()])).toEqual([])
    expect(held([HELD, lift(), HELD], DAMAGED)).toEqual(['by hand', DAMAGED.cause])
  })

  test('that was struck lifts nothing, neither a hold by hand nor what the program found', () => {
    expect(held([lift(DAMAGED), strike(1)], DAMAGED)).toEqual([DAMAGED.cause])
    expect(held([HELD, lift(), strike(2)])).toEqual(['by hand'])
    expect(held([HELD, lift(), lift(), strike(2)])).toEqual([])
  })

  test('of other bytes, or of another file, lifts nothing', () => {
    expect(held([{ ...lift(DAMAGED), sha256: 'd'.repeat(64) } as NewEntry], DAMAGED)).toEqual([DAMAGED.cause])
    expect(held([{ ...lift(DAMAGED), name: 'other.bin' } as NewEntry], DAMAGED)).toEqual([DAMAGED.cause])
  })
})

describe('a lift of an older ledger, which names no reasons', () => {
  const said = (reason: string): NewEntry => ({ kind: 'held', name: NAME, sha256: SHA, reason })

  test('goes on lifting what was on record when it was given', () => {
    expect(held([image(SUMS, 'sound'), said(DIFFERS.reason), OLD_LIFT], DIFFERS)).toEqual([])
    expect(held([image(NONE, 'damaged'), said('It was damaged.'), OLD_LIFT], DAMAGED)).toEqual([])
    // The worse of two reasons alone was told.
    expect(held([image(SUMS, 'damaged'), said(DIFFERS.reason), OLD_LIFT], DIFFERS, DAMAGED)).toEqual([])
  })

  test('lifts nothing that came to light later', () => {
    const damaged = [image(NONE, 'damaged'), said(DAMAGED.reason), OLD_LIFT]
    expect(held(damaged, DAMAGED, DIFFERS)).toEqual([DIFFERS.cause])
    expect(held([image(SUMS, 'sound'), said(DIFFERS.reason), OLD_LIFT], LATER)).toEqual([LATER.cause])
  })

  test('given before the folder was ever served, lifts what the first word about the image says', () => {
    expect(held([OLD_LIFT], DIFFERS)).toEqual([])
    expect(held([OLD_LIFT, image(SUMS, 'sound')], DIFFERS)).toEqual([])
    expect(held([OLD_LIFT, image(SUMS, 'sound'), image(SUMS, 'damaged')], DIFFERS, DAMAGED)).toEqual([
      DAMAGED.cause,
    ])
  })
})
