import { expect, test } from 'vitest'
import type { LivePull } from '../../server/delivery/live-pulls.ts'
import { movementWords } from '../../server/wording/pull-words.ts'

function live(facts: Partial<LivePull>, bytes = 1_000): LivePull {
  return { bytesNow: 0, image: { bytes }, ...facts } as LivePull
}

test.each([
  [{ movement: 'stalled', stalledSince: '2026-11-25T20:00:00.000Z' }, 'stalled 2 min 10 s'],
  [{ movement: 'moving', rateNow: 11_250_000, secondsLeft: 31 }, '11.3 MB/s, 31 s left'],
  [{ movement: 'moving' }, ''],
  [{ movement: 'waiting for the device to close' }, 'all handed over; waiting for the device to close'],
] as const)('%o is said as "%s"', (facts, words) => {
  expect(movementWords(live(facts), Date.parse('2026-11-25T20:02:10.000Z'))).toBe(words)
})
