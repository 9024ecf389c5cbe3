/**
 * What one check may cost. A decompression bomb is cut off by the output it makes, a slow decoder by the clock.
 */
import { Uncheckable } from './finding.ts'
import type { ByteSource, CheckSource } from './source.ts'

export interface Limits {
  /** Unpacked bytes that are looked at for each stored byte … */
  readonly unpackedPerStored: number
  /** … but at least this many. */
  readonly unpackedAtLeastBytes: number
  /** On the processor where the system shows that for a process, else by the clock. */
  readonly timeMs: number
}

export const DEFAULT_LIMITS: Limits = {
  unpackedPerStored: 20,
  unpackedAtLeastBytes: 64 * 1024 * 1024,
  timeMs: 60_000,
}

/** What a budget is told the time by, and tells that it goes on. */
export interface Stopwatch {
  readonly nowMs: () => number
  readonly goesOn: () => void
}

const CLOCK: Stopwatch = { nowMs: () => performance.now(), goesOn: () => undefined }

const MIB = 1024 * 1024

/** `source`, with the clock looked at whenever it is read: a check needs no more, as it reads on or spends. */
export function withinBudget(
  source: ByteSource,
  limits: Limits = DEFAULT_LIMITS,
  { nowMs, goesOn }: Stopwatch = CLOCK,
): CheckSource {
  const endMs = nowMs() + limits.timeMs
  const most = Math.max(limits.unpackedAtLeastBytes, limits.unpackedPerStored * source.bytes)
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
    bytes: source.bytes,
    read(at, length) {
      tick()
      return source.read(at, length)
    },
    spend(bytes) {
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
