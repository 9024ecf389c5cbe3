/** Files and folders swapped for links to elsewhere, and to and fro, while clients pull: a share of the rounds. */
import { onTestFinished, test } from 'vitest'
import { needs } from '../needs.ts'
import { swapRounds } from './swaps.ts'

test('no byte from outside the folder leaves, and none that is not of the version that was promised', {
  timeout: 120_000,
  ...needs('POSIX'),
}, async () => {
  await swapRounds(8, onTestFinished)
})
