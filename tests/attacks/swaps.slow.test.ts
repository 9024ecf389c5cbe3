/** The same swaps for long. */
import { onTestFinished, test } from 'vitest'
import { needs } from '../needs.ts'
import { swapRounds } from './swaps.ts'

test('300 rounds of swapping: no byte from outside the folder leaves, and none of another version', {
  timeout: 1_800_000,
  ...needs('POSIX'),
}, async () => {
  await swapRounds(300, onTestFinished)
})
