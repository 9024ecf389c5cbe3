/**
 * Stepping back beyond priority: two threads of one core slow each other down whatever their priorities are, so work
 * that can wait also rests while other work wants the processors.
 */
import { cpus } from 'node:os'

const WORK_MS = 20
/** How long it rests for the time it has worked. */
const REST_SHARE = 1
const LOOK_EVERY_MS = 200
/** Processors kept busy by others from which on it steps back. */
const OTHERS_BUSY = 0.3

/** What it knows the time and the load by, and rests with. */
const SYSTEM = {
  /** By a clock that only goes forward. */
  nowMs: () => performance.now(),
  load: () => ({
    atMs: performance.now(),
    /** All processors together; `ownMs` of it were ours. */
    busyMs: cpus().reduce((sum, { times }) => sum + times.user + times.nice + times.sys + times.irq, 0),
    ownMs: processorMs(),
  }),
  sleep: (ms: number): void => void Atomics.wait(NEVER_WOKEN, 0, 0, ms),
}

const NEVER_WOKEN = new Int32Array(new SharedArrayBuffer(4))

type Load = ReturnType<typeof SYSTEM.load>

/** How many processors others kept busy between two looks. */
export function busyWithOthers(before: Load, now: Load): number {
  const elapsedMs = now.atMs - before.atMs
  if (elapsedMs <= 0) return 0
  return Math.max(0, now.busyMs - before.busyMs - (now.ownMs - before.ownMs)) / elapsedMs
}

/** To be called often while working; returns at once, or after a rest. What ends within `WORK_MS` asks for no load. */
export function createPace({ nowMs, load, sleep } = SYSTEM): () => void {
  let looked: Load | undefined
  let busy = false
  let workingSinceMs = nowMs()
  return () => {
    const atMs = nowMs()
    const workedMs = atMs - workingSinceMs
    if (workedMs < WORK_MS) return
    if (looked === undefined || atMs - looked.atMs >= LOOK_EVERY_MS) {
      const now = load()
      busy = looked !== undefined && busyWithOthers(looked, now) >= OTHERS_BUSY
      looked = now
    }
    // Never longer than until the next look: a laptop that slept meanwhile has not worked all that time.
    if (busy) sleep(Math.min(workedMs * REST_SHARE, LOOK_EVERY_MS))
    workingSinceMs = nowMs()
  }
}

/** What this process has had of the processors, in ms. */
export function processorMs(): number {
  const { user, system } = process.cpuUsage()
  return (user + system) / 1_000
}
