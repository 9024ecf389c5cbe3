import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { answerRange, resumeOffset } from '../../server/delivery/range-header.ts'

// RFC 9110 §14.1.2 gives these for a representation of 10,000 bytes.
describe('examples of RFC 9110 §14.1.2', () => {
  test.each([
    ['bytes=0-499', 0, 499],
    ['bytes=500-999', 500, 999],
    ['bytes=-500', 9500, 9999],
    ['bytes=9500-', 9500, 9999],
    ['bytes=0-0', 0, 0],
  ])('%s', (header, first, last) => {
    expect(answerRange(header, 10_000)).toEqual({ kind: 'part', first, last })
  })

  test('several ranges may be ignored (§14.2)', () => {
    expect(answerRange('bytes=0-0,-1', 10_000)).toEqual({ kind: 'whole' })
    expect(answerRange('bytes= 0-999, 4500-5499, -1000', 10_000)).toEqual({ kind: 'whole' })
  })
})

test.each([
  'bytes=abc',
  'bytes=',
  'bytes=-',
  'bytes=5',
  'bytes=5-4',
  'bytes=0x10-',
  'bytes=-5-',
  'bytes=1-2-3',
  'bytes',
  'items=0-5',
  'bytes=0 - 5',
  'bytes=+0-5',
])('a malformed range is ignored: %s', (header) => {
  expect(answerRange(header, 100)).toEqual({ kind: 'whole' })
})

test.each(['bytes=100-', 'bytes=100-200', 'bytes=99999999999999999999-', 'bytes=-0'])(
  'a well-formed range outside 100 bytes is unsatisfiable: %s',
  (header) => {
    expect(answerRange(header, 100)).toEqual({ kind: 'unsatisfiable' })
  },
)

test('the unit is case-insensitive and empty list elements are skipped', () => {
  expect(answerRange('BYTES=0-1', 10)).toEqual({ kind: 'part', first: 0, last: 1 })
  expect(answerRange('bytes=,0-1,', 10)).toEqual({ kind: 'part', first: 0, last: 1 })
})

test('a last position beyond the end, or beyond all numbers, means the end', () => {
  expect(answerRange('bytes=3-99999999999999999999999', 10)).toEqual({ kind: 'part', first: 3, last: 9 })
  expect(answerRange('bytes=-99999999999999999999999', 10)).toEqual({ kind: 'part', first: 0, last: 9 })
})

test('whatever is asked, what is promised lies inside the image', () => {
  fc.assert(
    fc.property(
      fc.string({ unit: fc.constantFrom(...'bytes=0123456789-, ') }),
      fc.integer({ min: 1, max: 1e6 }),
      (tail, bytes) => {
        const range = answerRange(`bytes=${tail}`, bytes)
        if (range.kind !== 'part') return
        expect(range.first).toBeGreaterThanOrEqual(0)
        expect(range.last).toBeGreaterThanOrEqual(range.first)
        expect(range.last).toBeLessThan(bytes)
      },
    ),
    { numRuns: 2000 },
  )
})

test('only an open-ended range from beyond byte 0 is a statement of what the client holds', () => {
  expect(resumeOffset('bytes=100-')).toBe(100)
  expect(resumeOffset(' Bytes=100- ')).toBe(100)
  for (const header of [
    'bytes=0-',
    'bytes=100-200',
    'bytes=-100',
    'bytes=1-,2-',
    undefined,
    null,
    'bytes=99999999999999999999-',
  ]) {
    expect(resumeOffset(header)).toBeUndefined()
  }
})
