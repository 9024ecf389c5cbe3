/**
 * When a file counts as completely written. Pure: times are passed in. Copies pause for seconds and some
 * allocate the full size first, so quiet alone is weak evidence: without a vouching sign it must last longer.
 */

/** Modification and change time at least this old vouch that the writing is over. */
const OLD_MS = 60_000

export interface SettleTimes {
  readonly settleMs: number
  readonly settleUnsureMs: number
}

export interface Quiet {
  readonly modifiedMs: number
  /** Of the change time: a copy can set the modification time of half a file back, not this one. */
  readonly changedMs: number
  /** By the wall clock, which may be wrong. */
  readonly nowMs: number
  /** How long size, times and inode have been the same, by a steady clock. */
  readonly quietMs: number
  /** The digest of exactly these bytes is known. */
  readonly digested: boolean
  /** The published checksum matches, the format is sound, or the same bytes were on offer before. */
  readonly vouched: boolean
  /** A person said "ready now". */
  readonly impatient: boolean
}

/** To wait is to look again after `waitMs`. */
type SettleAct = { readonly act: 'wait'; readonly waitMs: number } | { readonly act: 'read' | 'offer' }

/** What to do with a settling file now. */
export function settle(quiet: Quiet, times: SettleTimes): SettleAct {
  const neededMs = quiet.impatient ? 0 : quiet.digested ? quietNeededMs(quiet, times) : times.settleMs
  if (quiet.quietMs < neededMs) return { act: 'wait', waitMs: neededMs - quiet.quietMs }
  return { act: quiet.digested ? 'offer' : 'read' }
}

/** How long a file must be quiet before it is offered. */
export function quietNeededMs(quiet: Quiet, { settleMs, settleUnsureMs }: SettleTimes): number {
  return quiet.vouched || isOld(quiet) ? settleMs : Math.max(settleMs, settleUnsureMs)
}

/** Old enough to vouch for itself. */
export function isOld({ modifiedMs, changedMs, nowMs }: Quiet): boolean {
  return !isMarked(modifiedMs) && nowMs - Math.max(modifiedMs, changedMs) > OLD_MS
}

/**
 * Of 1980 or before: copies mark with 1970 or 1980 what is not complete yet, so that this age vouches for nothing (a
 * day more, for the zones in which that beginning of time is told).
 */
export function isMarked(modifiedMs: number): boolean {
  return modifiedMs < Date.UTC(1980, 0, 3)
}
