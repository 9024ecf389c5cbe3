/** Fuzzing of requests at length, with a new seed each time; a failure prints the seed and the shrunk request. */
import { onTestFinished, test } from 'vitest'
import { fuzz } from './fuzzing.ts'

const SEED = Number(process.env.FUZZ_SEED ?? Date.now() % 2_147_483_647)

test(`100,000 fuzzed requests (FUZZ_SEED=${SEED}) get documented answers and exactly the promised bytes`, {
  timeout: 1_800_000,
}, async () => {
  await fuzz(100_000, SEED, onTestFinished)
})
