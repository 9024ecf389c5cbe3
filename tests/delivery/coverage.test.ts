import fc from 'fast-check'
import { expect, test } from 'vitest'
import { Coverage, overlap, type Span } from '../../server/delivery/coverage.ts'

const SIZE = 60
const spans = fc.array(
  fc.record({ first: fc.integer({ min: 0, max: SIZE }), end: fc.integer({ min: 0, max: SIZE }) }),
  { maxLength: 12 },
)

function bitmap(list: readonly { first: number; end: number }[]): boolean[] {
  return Array.from({ length: SIZE }, (_, at) => list.some(({ first, end }) => first <= at && at < end))
}

function covering(list: readonly Span[]): Coverage {
  const coverage = new Coverage()
  for (const span of list) coverage.add(span)
  return coverage
}

test('covers exactly the bytes that some span covers, as a map of single bytes shows', () => {
  fc.assert(
    fc.property(spans, spans, (list, asked) => {
      const covered = covering(list)
      const map = bitmap(list)
      expect(bitmap([...covered.spans()])).toEqual(map)
      expect(covered.bytes).toBe(map.filter(Boolean).length)
      for (const span of asked) {
        expect(covered.overlaps(span)).toBe(map.slice(span.first, span.end).some(Boolean))
        expect(covered.holds(span)).toBe(map.slice(span.first, span.end).every(Boolean))
      }
    }),
  )
})

/** What a property of few spans does not reach: more than stand in one block, in every order, merged in the middle. */
test.each(['forwards', 'backwards', 'shuffled'] as const)('ten thousand spans %s', (order) => {
  const list = Array.from({ length: 10_000 }, (_, at) => ({ first: 3 * at, end: 3 * at + 2 }))
  const random = fc.sample(fc.shuffledSubarray(list, { minLength: list.length }), { numRuns: 1, seed: 7 })[0]
  const told = { forwards: list, backwards: list.toReversed(), shuffled: random ?? [] }[order]
  const covered = covering(told)
  expect([...covered.spans()]).toEqual(list)
  expect(covered.bytes).toBe(20_000)
  covered.add({ first: 1_000, end: 28_000 })
  expect(covered.bytes).toBe(20_000 + 9_000)
  const spansNow = [...covered.spans()]
  expect(spansNow).toContainEqual({ first: 999, end: 28_001 })
  expect(spansNow).toHaveLength(333 + 1 + 666)
  covered.add({ first: 0, end: 30_000 })
  expect([...covered.spans()]).toEqual([{ first: 0, end: 30_000 }])
})

test('is sorted, disjoint and merged', () => {
  fc.assert(
    fc.property(spans, (list) => {
      const covered = [...covering(list).spans()]
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
