import { expect, test } from 'vitest'
import { refusalWords } from '../../server/wording/refusal-words.ts'

test('the hint after a refusal was put into another sentence: "start again with give it a row in visit.csv"', () => {
  const reason = 'it is not on the visit sheet'
  expect(
    refusalWords({ reason, hint: 'Give it a row in visit.csv, or start again without --only-planned.' }),
  ).toBe('it is not on the visit sheet. Give it a row in visit.csv, or start again without --only-planned.')
})

test.each([
  ['--allow 203.0.113.7/32', 'To admit it, start again with --allow 203.0.113.7/32.'],
  ['the nearest name is /switch.bin', 'The nearest name is /switch.bin.'],
  [
    'give it a row in visit.csv, or serve without --only-planned',
    'Give it a row in visit.csv, or serve without --only-planned.',
  ],
])('the hint %s of an older ledger is made a sentence', (hint, said) => {
  expect(refusalWords({ reason: 'no.', hint })).toBe(`no. ${said}`)
})

test('names of files keep their letter case', () => {
  expect(refusalWords({ reason: 'radio-2.8.img is held', hint: null })).toBe('radio-2.8.img is held.')
})
