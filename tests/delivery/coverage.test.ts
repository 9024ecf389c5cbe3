import fc from 'fast-check'
import { expect, test } from 'vitest'
import { cover, coveredBytes, coversAll, overlap } from '../../server/delivery/coverage.ts'

const SIZE = 60
const spans = fc.array(
  fc.record({ first: fc.integer({ min: 0, max: SIZE }), end: fc.integer({ min: 0, max: SIZE }) }),
  { maxLength: 12 },
)

function bitmap(list: readonly { first: number; end: number }[]): boolean[] {
  return Array.from({ length: SIZE }, (_, at) => list.some(({ first, end }) => first <= at && at < end))
}

test('covers exactly the bytes that some span covers, as a map of single bytes shows', () => {
  fc.assert(
    fc.property(spans, (list) => {
      const covered = cover(list)
      expect(bitmap(covered)).toEqual(bitmap(list))
      expect(coveredBytes(covered)).toBe(bitmap(list).filter(Boolean).length)
      expect(coversAll(covered, SIZE)).toBe(bitmap(list).every(Boolean))
    }),
  )
})

test('is sorted, disjoint and merged', () => {
  fc.assert(
    fc.property(spans, (list) => {
      const covered = cover(list)
      for (const [at, span] of covered.entries()) {
        const next = covered[at + 1]
        expect(span.end).toBeGreaterThan(span.first)
        if (next !== undefined) expect(next.first).toBeGreaterThan(span.end)
      }
    }),
  )
})

test('overlap is symmetric and needs a common byte', () => {
  expect(overlap({ first: 0, end: 10 }, { first: 10, end: 20 })).toBe(false)
  expect(overlap({ first: 0, end: 11 }, { first: 10, end: 20 })).toBe(true)
  expect(overlap({ first: 5, end: 5 }, { first: 0, end: 10 })).toBe(false)
})
