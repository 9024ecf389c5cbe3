import { expect, test } from 'vitest'
import type { Mark } from '../../server/wording/marks.ts'
import { isAllPulled, tallyOf, tallyWords } from '../../server/wording/tally.ts'

const marks = (counts: Partial<Record<Mark, number>>): Mark[] =>
  Object.entries(counts).flatMap(([mark, count]) => Array<Mark>(count).fill(mark as Mark))
const words = (counts: Partial<Record<Mark, number>>, strangers = 0, planned = true): string =>
  tallyWords(tallyOf(marks(counts), strangers, planned))

test('who is done, what moves, what needs a person', () => {
  expect(words({ pulled: 8, confirmed: 1, pulling: 2, attention: 1 })).toBe(
    '9 of 12 done · 2 pulling · 1 needs attention',
  )
  expect(words({ attention: 2, stalled: 1, waiting: 3, unconfirmed: 1 })).toBe(
    '0 of 7 done · 1 stalled · 2 need attention · 1 not confirmed · 3 waiting',
  )
})

test('a row without an image is neither done nor open', () => {
  expect(words({ pulled: 1, waiting: 1, unplanned: 4 })).toBe('1 of 2 done · 1 waiting')
})

test('at the end it says what is left to do', () => {
  expect(words({ pulled: 3, confirmed: 9 })).toBe(
    'All 12 pulled. Compare digests on 3 devices, then save the report',
  )
  expect(words({ pulled: 1 })).toBe('All 1 pulled. Compare digests on 1 device, then save the report')
  expect(words({ confirmed: 12 }, 1)).toBe(
    'All 12 confirmed by the digests that they printed. Save the report · 1 client is not on the sheet',
  )
})

test('an end with pulls that were not confirmed claims no more than was seen', () => {
  expect(words({ pulled: 9, unconfirmed: 3 })).toBe(
    '9 of 12 pulled, 3 not confirmed. Compare digests on 12 devices, then save the report',
  )
})

test('while anything is open it is no end', () => {
  for (const open of ['attention', 'stalled', 'pulling', 'waiting', 'unseen'] as const) {
    expect(isAllPulled(tallyOf(marks({ pulled: 11, [open]: 1 }), 0, true)), open).toBe(false)
  }
  expect(isAllPulled(tallyOf([], 0, true))).toBe(false)
})

test('without a sheet nobody knows how many are still to come', () => {
  expect(words({}, 0, false)).toBe('No device has pulled yet')
  expect(words({ pulled: 3, pulling: 1 }, 0, false)).toBe('4 came: 3 done · 1 pulling')
  expect(words({ pulled: 3 }, 0, false)).toBe('3 came: 3 done')
})
