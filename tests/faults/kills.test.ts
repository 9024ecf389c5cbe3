import { expect, test } from 'vitest'
import { killAgainAndAgain } from './kills.ts'

const KILLS = 4
const SEED = 'a few kills'

test(`killed ${KILLS} times at moments of chance under load, it loses nothing and ends everything`, {
  timeout: 120_000,
}, async () => {
  const killed = await killAgainAndAgain(KILLS, SEED)
  expect(killed).toMatchObject({
    lost: [],
    withoutEnding: [],
    numbersTwice: [],
    chainsBroken: [],
    otherLines: [],
  })
  // Else nothing was put to the test.
  expect(killed.lostTrack).toBeGreaterThan(0)
  expect(killed.delivered).toBeGreaterThan(0)
  expect(killed.printed).toBeGreaterThan(KILLS * 3)
})
