/**
 * What one check may cost. A decompression bomb is cut off by the output it makes, a slow decoder by the clock.
 */
import { Uncheckable } from './format-finding.ts'
import type { ByteSource, CheckSource } from './source.ts'

export const DEFAULT_LIMITS = {
  /** Unpacked bytes that are looked at for each stored byte … */
  unpackedPerStored: 20,
  /** … but at least this many. */
  unpackedAtLeastBytes: 64 * 1024 * 1024,
  /** Of the processor in a process of its own (check-process.ts), else by the clock. */
  timeMs: 60_000,
}

export type Limits = Readonly<typeof DEFAULT_LIMITS>

/** What a budget is told the time by, and tells that it goes on. */
const CLOCK = { nowMs: () => performance.now(), goesOn: (): void => undefined }

export type Stopwatch = typeof CLOCK

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
