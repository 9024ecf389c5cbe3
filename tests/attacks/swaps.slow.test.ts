/** The same swaps for long. */
import { onTestFinished, test } from 'vitest'
import { swapRounds } from './swaps.ts'

test.skipIf(process.platform === 'win32')(
  '300 rounds of swapping: no byte from outside the folder leaves, and none of another version',
  { timeout: 1_800_000 },
  async () => {
    await swapRounds(300, onTestFinished)
  },
)
