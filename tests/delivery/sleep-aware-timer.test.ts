import { afterEach, beforeEach, describe, expect, test, vi } from 'vitest'
import { createSleepAwareTimer, type SleepAwareTimer } from '../../server/delivery/sleep-aware-timer.ts'

describe('a limit on what somebody else does', () => {
  let slept = 0
  let timer: SleepAwareTimer
  const clock = (): number => Date.now() + slept

  beforeEach(() => {
    vi.useFakeTimers()
    slept = 0
    timer = createSleepAwareTimer(clock)
  })
  afterEach(() => {
    timer.close()
    vi.useRealTimers()
  })

  test('is over in its time when nothing stood still', () => {
    const act = vi.fn()
    timer.after(10_000, act)
    vi.advanceTimersByTime(9_990)
    expect(act).not.toHaveBeenCalled()
    vi.advanceTimersByTime(20)
    expect(act).toHaveBeenCalledTimes(1)
    expect(timer.wokeAt()).toBe(Number.NEGATIVE_INFINITY)
  })

  test('begins anew at the waking, however long the sleep was', () => {
    const act = vi.fn()
    timer.after(10_000, act)
    vi.advanceTimersByTime(4_000)
    slept = 3_600_000
    vi.advanceTimersByTime(9_900)
    expect(act).not.toHaveBeenCalled()
    expect(timer.wokeAt()).toBeGreaterThan(3_600_000)
    vi.advanceTimersByTime(1_000)
    expect(act).toHaveBeenCalledTimes(1)
  })

  test('is not put off by an event loop that is late as on a busy machine', () => {
    const act = vi.fn()
    timer.after(5_000, act)
    for (let at = 0; at < 5; at += 1) {
      slept += 900
      vi.advanceTimersByTime(500)
    }
    vi.advanceTimersByTime(2_600)
    expect(act).toHaveBeenCalledTimes(1)
  })

  test('that was given up never comes', () => {
    const act = vi.fn()
    timer.after(1_000, act)()
    vi.advanceTimersByTime(5_000)
    expect(act).not.toHaveBeenCalled()
  })
})
