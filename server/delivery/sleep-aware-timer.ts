/**
 * Limits on what a device does, kept only while this program runs itself: a laptop that sleeps, or a program that is
 * stopped, sees nothing of what devices do. A clock that goes on meanwhile (CLOCK_MONOTONIC stops in a Linux
 * machine's sleep, other systems' clocks do not, and no clock stops for SIGSTOP) would then end good fetches in the
 * very moment of waking, since timers run before what has come is read. Whoever waits waits anew from the waking on.
 */
export type SleepAwareTimer = ReturnType<typeof createSleepAwareTimer>

const LOOK_MS = 500
/** The event loop may be late by so much on a busy machine. */
const LATE_MS = 1_000

/** `clock` is monotonic, in ms. */
export function createSleepAwareTimer(clock: () => number) {
  let woke = Number.NEGATIVE_INFINITY
  let lookedAt = clock()
  const looking = setInterval(look, LOOK_MS)
  looking.unref()

  function look(): number {
    const now = clock()
    if (now - lookedAt > LOOK_MS + LATE_MS) woke = now
    lookedAt = now
    return woke
  }

  return {
    /** Clock reading of the latest waking; -Infinity when there was none. */
    wokeAt: look,
    /** Calls once, when `ms` have passed since now and since the latest waking. Returns how to give it up. */
    after(ms: number, act: () => void): () => void {
      const begunAt = clock()
      let timer = setTimeout(due, ms).unref()

      function due(): void {
        const waitMs = Math.max(begunAt, look()) + ms - clock()
        // A timer may be early by a fraction of a millisecond.
        if (waitMs < 1) act()
        else timer = setTimeout(due, waitMs).unref()
      }

      return () => clearTimeout(timer)
    },
    close: (): void => clearInterval(looking),
  }
}
