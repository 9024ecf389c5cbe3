/** When to send again: the round trip smoothed as TCP does it (RFC 6298 §2 and §5), with bounds of our own. */

interface RoundTrip {
  /** Smoothed round trip and its variation, ms; undefined until the first one was measured. */
  readonly smoothedMs: number | undefined
  readonly variationMs: number
  /** Wait so long for an answer. */
  readonly timeoutMs: number
}

/** RFC 6298 §2.1: 1 s until something was measured. */
export const UNMEASURED: RoundTrip = Object.freeze({
  smoothedMs: undefined,
  variationMs: 0,
  timeoutMs: 1_000,
})

/**
 * RFC 6298 would have 1 s at least; here one lost block stops the whole window, and a cable's round trip is below 1 ms.
 * Small clients give up after some 20 s (BusyBox: 12 times, 2 s at most): within that several attempts are to fit.
 */
const TIMEOUT_MS = { least: 200, most: 3_000 }

/** An answer to what was sent once only: of others it is not known which sending they answer (Karn). */
export function measured(before: RoundTrip, ms: number): RoundTrip {
  const { smoothedMs: old } = before
  const variationMs = old === undefined ? ms / 2 : 0.75 * before.variationMs + 0.25 * Math.abs(old - ms)
  const smoothedMs = old === undefined ? ms : 0.875 * old + 0.125 * ms
  return { smoothedMs, variationMs, timeoutMs: bounded(smoothedMs + 4 * variationMs) }
}

/** Nothing came in time; kept until the next measurement (RFC 6298 §5.5). */
export function backedOff(before: RoundTrip): RoundTrip {
  return { ...before, timeoutMs: bounded(before.timeoutMs * 2) }
}

function bounded(ms: number): number {
  return Math.min(TIMEOUT_MS.most, Math.max(TIMEOUT_MS.least, ms))
}
