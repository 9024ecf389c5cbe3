/** Which entries can be struck, and what is said of the others. */
import { expect, test } from 'vitest'
import type { NewEntry } from '../../server/ledger/entries.ts'
import { createStrikes } from '../../server/ledger/strikes.ts'
import { recorded } from './recorded.ts'

const OBSERVED: NewEntry = { kind: 'observed', device: 'desk-1', by: 'engineer', after: '2.0' }
const STRUCK: NewEntry = { kind: 'struck', strikes: 2, reason: 'the wrong device', by: 'a colleague' }

function strikesOf(...entries: NewEntry[]) {
  const strikes = createStrikes()
  for (const [at, entry] of entries.entries()) strikes.apply(recorded(entry, at + 1))
  return strikes
}

test('an observation can be struck, once', () => {
  const before = strikesOf({ kind: 'closed', reason: 'stopped' }, OBSERVED)
  expect(before.check(2)).toMatchObject({ device: 'desk-1' })
  expect(before.strikeable().map(({ seq }) => seq)).toEqual([2])
  const after = strikesOf({ kind: 'closed', reason: 'stopped' }, OBSERVED, STRUCK)
  expect(after.has(2)).toBe(true)
  expect(after.strikeable()).toEqual([])
  expect(after.struck()).toMatchObject([{ entry: { device: 'desk-1' }, by: { by: 'a colleague' } }])
  expect(() => after.check(2)).toThrow(/a colleague struck it already \(the wrong device\)/)
})

test('an entry of another kind, or one that is not there, cannot be struck, and it is said which of both', () => {
  const strikes = strikesOf({ kind: 'closed', reason: 'stopped' }, OBSERVED, STRUCK)
  expect(() => strikes.check(1)).toThrow(/none of these/)
  expect(() => strikes.check(3)).toThrow(/none of these/)
  for (const seq of [0, 4])
    expect(() => strikes.check(seq)).toThrow(/no entry of this number \(its last one is 3\)/)
})
