/**
 * What one check may cost. A decompression bomb is cut off by the output it makes, a slow decoder by the clock.
 */
import { Uncheckable } from './fault.ts'

export interface Limits {
  /** Unpacked bytes that are looked at for each stored byte … */
  readonly unpackedPerStored: number
  /** … but at least this many. */
  readonly unpackedAtLeastBytes: number
  /** On the processor where the system shows that for a thread, else by the clock. */
  readonly timeMs: number
}

export const DEFAULT_LIMITS: Limits = {
  unpackedPerStored: 20,
  unpackedAtLeastBytes: 64 * 1024 * 1024,
  timeMs: 60_000,
}

export type Budget = ReturnType<typeof createBudget>

/** What a budget is told the time by, and tells that it goes on. */
export interface Stopwatch {
  readonly nowMs: () => number
  readonly goesOn: () => void
}

export const CLOCK: Stopwatch = { nowMs: () => performance.now(), goesOn: () => undefined }

const MIB = 1024 * 1024

export function createBudget(storedBytes: number, limits: Limits, { nowMs, goesOn }: Stopwatch = CLOCK) {
  const endMs = nowMs() + limits.timeMs
  const most = Math.max(limits.unpackedAtLeastBytes, limits.unpackedPerStored * storedBytes)
  let unpacked = 0
  function tick(): void {
    goesOn()
    if (nowMs() < endMs) return
    const unpackedSo = unpacked === 0 ? '' : ` (${Math.floor(unpacked / MIB)} MiB unpacked without fault)`
    throw new Uncheckable(
      `The check took longer than ${limits.timeMs / 1000} s and was stopped${unpackedSo}.`,
    )
  }
  return {
    /** Throws `Uncheckable` when the time is over; to be called at least every few MiB read. */
    tick,
    /** Counts unpacked bytes. Throws `Uncheckable` when there are too many or the time is over. */
    spend(bytes: number): void {
      unpacked += bytes
      if (unpacked > most) {
        throw new Uncheckable(
          `Checked up to ${Math.floor(most / MIB)} MiB of unpacked data without fault; the rest was left, as it unpacks to much more than is stored.`,
        )
      }
      tick()
    },
  }
}
