/** Turns of fetches that have more to hand over. */
import { setImmediate as nextRound } from 'node:timers/promises'
import { expect, test } from 'vitest'
import { createTurns } from '../../server/delivery/sending-turns.ts'

test('hundreds of fetches had their turn before anything else was looked at', async () => {
  const { wait } = createTurns()
  let turns = 0
  for (let fetch = 0; fetch < 512; fetch += 1) wait(() => (turns += 1))
  await nextRound()
  expect(turns).toBeLessThanOrEqual(16)
  while (turns < 512) await nextRound()
})

test('each has its turn in the order in which they asked, again and again', async () => {
  const { wait } = createTurns()
  const order: number[] = []
  const take = (fetch: number) => (): void => {
    order.push(fetch)
    if (order.length < 60) wait(take(fetch))
  }
  for (let fetch = 0; fetch < 20; fetch += 1) wait(take(fetch))
  while (order.length < 79) await nextRound()
  const once = Array.from({ length: 20 }, (_, fetch) => fetch)
  expect(order.slice(0, 60)).toEqual([...once, ...once, ...once])
})

test('until everybody who asks is answered one fetch a round has a short turn', async () => {
  const turns = createTurns()
  let taken = 0
  for (let fetch = 0; fetch < 20; fetch += 1) turns.wait(() => (taken += 1))
  const { bytes } = turns
  const answered = [turns.hurry(), turns.hurry()]
  expect(turns.bytes).toBeLessThan(bytes)
  for (const round of [1, 2, 3]) {
    await nextRound()
    expect(taken).toBe(round)
  }
  answered[0]?.()
  await nextRound()
  expect(taken).toBe(4)
  answered[1]?.()
  expect(turns.bytes).toBe(bytes)
  await nextRound()
  expect(taken).toBeGreaterThan(5)
})
