import { expect, test } from 'vitest'
import { busyWithOthers, createPace } from '../../../server/trust/formats/pace.ts'

/** A machine on which we work all the time that we do not rest, and others as told. */
function machine(othersShare: () => number) {
  let atMs = 0
  let busyMs = 0
  let ownMs = 0
  const pass = (ms: number, own: boolean): void => {
    atMs += ms
    busyMs += othersShare() * ms + (own ? ms : 0)
    ownMs += own ? ms : 0
  }
  const pace = createPace({
    nowMs: () => atMs,
    load: () => ({ atMs, busyMs, ownMs }),
    sleep: (ms) => pass(ms, false),
  })
  /** The share of `ms` of our own work in the time that it took. */
  return (ms: number): number => {
    const beganMs = atMs
    for (let done = 0; done < ms; done += 1) {
      pass(1, true)
      pace()
    }
    return ms / (atMs - beganMs)
  }
}

test('alone on the machine, it never rests: its own work does not count as load', () => {
  expect(machine(() => 0.1)(5_000)).toBe(1)
})

test('while others want the processors, it rests as long as it works', () => {
  const work = machine(() => 1.5)
  // Until it has looked for the first time it does not know.
  work(500)
  expect(work(5_000)).toBeCloseTo(0.5, 1)
})

test('it works on as soon as the others are done, and rests again when they come back', () => {
  let others = 1
  const work = machine(() => others)
  work(1_000)
  others = 0
  work(500)
  expect(work(2_000)).toBe(1)
  others = 1
  work(500)
  expect(work(2_000)).toBeCloseTo(0.5, 1)
})

test('a laptop that slept in the middle is no reason to rest as long as it slept', () => {
  let atMs = 0
  let busyMs = 0
  const rests: number[] = []
  const pace = createPace({
    nowMs: () => atMs,
    load: () => ({ atMs, busyMs, ownMs: 0 }),
    sleep: (ms) => void rests.push(ms),
  })
  const pass = (ms: number): void => {
    atMs += ms
    busyMs += ms
    pace()
  }
  for (let step = 0; step < 100; step += 1) pass(25)
  expect(Math.max(...rests)).toBe(25)
  pass(3_600_000)
  expect(Math.max(...rests)).toBeLessThan(1_000)
})

test('what is done at once never asks for the load', () => {
  let asked = 0
  const pace = createPace({
    nowMs: () => 0,
    load() {
      asked += 1
      return { atMs: 0, busyMs: 0, ownMs: 0 }
    },
    sleep: () => undefined,
  })
  for (let step = 0; step < 100; step += 1) pace()
  expect(asked).toBe(0)
})

test('load is counted in processors, without what is ours', () => {
  const before = { atMs: 1_000, busyMs: 5_000, ownMs: 700 }
  expect(busyWithOthers(before, { atMs: 1_500, busyMs: 5_900, ownMs: 1_100 })).toBe(1)
  expect(busyWithOthers(before, before)).toBe(0)
  // The counters tick in hundredths of a second and may stay behind.
  expect(busyWithOthers(before, { atMs: 1_500, busyMs: 5_000, ownMs: 1_100 })).toBe(0)
})
