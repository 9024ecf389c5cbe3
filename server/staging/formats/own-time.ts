/**
 * How long a thread has worked. A check steps back while images are served, and must not run out of time for that.
 */
import { readFileSync } from 'node:fs'

const SCHEDULED = '/proc/thread-self/schedstat'
const NS_PER_MS = 1_000_000
/** A look costs some 20 µs, and is asked for with every piece of a file. */
const LOOK_EVERY_MS = 50

/**
 * A clock in ms for the calling thread: its time on the processor where the system shows it (Linux: the first number
 * of schedstat, in ns; proc_pid_schedstat in the kernel's sched-stats document), else a monotonic clock.
 */
export function createOwnTime(): () => number {
  if (onProcessorMs() === undefined) return () => performance.now()
  let last = 0
  let lookedMs = Number.NEGATIVE_INFINITY
  return () => {
    const wallMs = performance.now()
    if (wallMs - lookedMs >= LOOK_EVERY_MS) {
      lookedMs = wallMs
      last = onProcessorMs() ?? last
    }
    return last
  }
}

function onProcessorMs(): number | undefined {
  try {
    const ns = Number.parseInt(readFileSync(SCHEDULED, 'latin1'), 10)
    return Number.isNaN(ns) ? undefined : ns / NS_PER_MS
  } catch {
    return undefined
  }
}
