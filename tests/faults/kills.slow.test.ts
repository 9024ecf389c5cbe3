import { expect, test } from 'vitest'
import { killAgainAndAgain } from './kills.ts'

const KILLS = 100

test(`killed ${KILLS} times at moments of chance under load, it loses nothing and ends everything`, async () => {
  const seed = String(Math.floor(Math.random() * 1_000_000))
  process.stdout.write(`kills: seed ${seed}\n`)
  const killed = await killAgainAndAgain(KILLS, seed)
  const { lost, withoutEnding, numbersTwice, chainsBroken, otherLines, ...figures } = killed
  process.stdout.write(`kills: ${JSON.stringify(figures)}\n`)
  expect({ lost, withoutEnding, numbersTwice, chainsBroken, otherLines }).toEqual({
    lost: [],
    withoutEnding: [],
    numbersTwice: [],
    chainsBroken: [],
    otherLines: [],
  })
  expect(killed.lostTrack).toBeGreaterThan(KILLS / 10)
  expect(killed.delivered).toBeGreaterThan(KILLS)
})
