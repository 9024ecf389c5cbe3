/** A seeded share of the fuzzing of requests; grammar.slow.test.ts makes a hundred thousand. */
import { expect, onTestFinished, test } from 'vitest'
import { fuzz } from './fuzzing.ts'
import { rangeVerdicts } from './range-model.ts'

test('2,000 fuzzed requests get documented answers and exactly the promised bytes, and are recorded', {
  timeout: 120_000,
}, async () => {
  await fuzz(2_000, 20_260_101, onTestFinished)
})

// Of the examples of RFC 9110 section 14.1.2, for a representation of 10,000 bytes.
test.each([
  ['bytes=0-499', [{ status: 206, first: 0, last: 499 }]],
  ['bytes=500-999', [{ status: 206, first: 500, last: 999 }]],
  ['bytes=-500', [{ status: 206, first: 9500, last: 9999 }]],
  ['bytes=9500-', [{ status: 206, first: 9500, last: 9999 }]],
  ['bytes=0-0,-1', [{ status: 200 }]],
  ['bytes= 0-999, 4500-5499, -1000', [{ status: 200 }]],
])('the model gives the standard its due: %s', (range, verdicts) => {
  expect(rangeVerdicts(range, 10_000)).toEqual(verdicts)
})
