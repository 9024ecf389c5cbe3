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

export interface Load {
  /** By a clock that only goes forward. */
  readonly atMs: number
  /** Milliseconds that all processors together were busy. */
  readonly busyMs: number
  /** Milliseconds of that which were ours. */
  readonly ownMs: number
}

/** How many processors others kept busy between two looks. */
export function busyWithOthers(before: Load, now: Load): number {
  const elapsedMs = now.atMs - before.atMs
  if (elapsedMs <= 0) return 0
  return Math.max(0, now.busyMs - before.busyMs - (now.ownMs - before.ownMs)) / elapsedMs
}

/** What it knows the time and the load by, and rests with. */
export interface Pacing {
  readonly nowMs: () => number
  readonly load: () => Load
  readonly sleep: (ms: number) => void
}

/** To be called often while working; returns at once, or after a rest. */
export function createPace({ nowMs, load, sleep }: Pacing = SYSTEM): () => void {
  let looked = load()
  let busy = false
  let workingSinceMs = looked.atMs
  return () => {
    const atMs = nowMs()
    if (atMs - workingSinceMs < WORK_MS) return
    if (atMs - looked.atMs >= LOOK_EVERY_MS) {
      const now = load()
      busy = busyWithOthers(looked, now) >= OTHERS_BUSY
      looked = now
    }
    if (busy) sleep((atMs - workingSinceMs) * REST_SHARE)
    workingSinceMs = nowMs()
  }
}

const SYSTEM: Pacing = {
  nowMs: () => performance.now(),
  load() {
    const { user, system } = process.cpuUsage()
    const busyMs = cpus().reduce((sum, { times }) => sum + times.user + times.nice + times.sys + times.irq, 0)
    return { atMs: performance.now(), busyMs, ownMs: (user + system) / 1_000 }
  },
  sleep(ms) {
    Atomics.wait(NEVER_WOKEN, 0, 0, ms)
  },
}

const NEVER_WOKEN = new Int32Array(new SharedArrayBuffer(4))
