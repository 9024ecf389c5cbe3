/**
 * When a file counts as completely written. Pure: times are passed in. Copies pause for seconds and some
 * allocate the full size first, so quiet alone is weak evidence: without a vouching sign it must last longer.
 */

/** A modification time at least this old vouches that the writing is over. */
export const OLD_MTIME_MS = 60_000

export interface SettleTimes {
  readonly settleMs: number
  readonly settleUnsureMs: number
}

export interface Quiet {
  /** How long size, mtime and inode have been the same, by a steady clock. */
  readonly quietMs: number
  /** How long ago the file was modified, by the wall clock; negative where a clock is wrong. */
  readonly modifiedAgoMs: number
  /** The digest of exactly these bytes is known. */
  readonly digested: boolean
  /** The published checksum matches or the format is sound. */
  readonly vouched: boolean
  /** A person said "ready now". */
  readonly impatient: boolean
}

export type SettleAct =
  /** Look again after `waitMs`. */
  { readonly act: 'wait'; readonly waitMs: number } | { readonly act: 'read' } | { readonly act: 'offer' }

/** What to do with a settling file now. */
export function settle(quiet: Quiet, times: SettleTimes): SettleAct {
  const neededMs = quiet.impatient ? 0 : quiet.digested ? quietNeededMs(quiet, times) : times.settleMs
  if (quiet.quietMs < neededMs) return { act: 'wait', waitMs: neededMs - quiet.quietMs }
  return { act: quiet.digested ? 'offer' : 'read' }
}

/** How long a file must be quiet before it is offered. */
export function quietNeededMs(
  quiet: Pick<Quiet, 'modifiedAgoMs' | 'vouched'>,
  { settleMs, settleUnsureMs }: SettleTimes,
): number {
  const sure = quiet.vouched || quiet.modifiedAgoMs > OLD_MTIME_MS
  return sure ? settleMs : Math.max(settleMs, settleUnsureMs)
}
