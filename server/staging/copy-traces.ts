/**
 * What a copy that broke off leaves behind, and what merely looks like it. A published checksum that matches, or a
 * format whose contents were checked, outweighs all of it.
 */
import type { HoldReason } from '../ledger/entries.ts'
import type { Reading } from './digests.ts'
import type { Version } from './image.ts'
import type { Judgement } from './judge.ts'
import { isMarked } from './settling.ts'

/** Padding to a flash sector is no longer than this. */
const LONG_BYTES = 64 * 1024
/** What file systems leave out at least (common practice). */
const PAGE_BYTES = 4096

/**
 * Bytes that the file system holds no data for, at the end or before it, and a long run of zeros that were written.
 * The last two say something about a fresh file alone: many images are padded, and some tools leave out zeros.
 * Nothing but zeros is no image.
 */
export function gapsOf(
  bytes: number,
  { zerosAtEnd, zeroPageBytes, allocatedBytes }: Reading['filling'],
  isFresh: boolean,
): Version['gaps'] {
  if (bytes >= PAGE_BYTES && zerosAtEnd === bytes) return 'only zeros'
  const long = Math.min(LONG_BYTES, Math.max(PAGE_BYTES, bytes / 4))
  // Files of which nothing at all is allocated may lie within their directory's own record.
  const missing = allocatedBytes > 0 ? bytes - allocatedBytes : 0
  // Where more is missing than there are zeros, the file system compresses.
  if (missing >= PAGE_BYTES && zerosAtEnd >= Math.min(long, missing)) return 'end unwritten'
  if (!isFresh) return undefined
  if (zerosAtEnd >= long) return 'zeros at the end'
  return missing >= PAGE_BYTES && zeroPageBytes >= missing ? 'holes' : undefined
}

/** The judgement, with what the traces of a copy add to it. */
export function withCopyTraces(judgement: Judgement, { gaps, identity }: Version): Judgement {
  if (judgement.sure) return judgement
  const notes = [...judgement.notes]
  const holds = [...judgement.holds]
  if (gaps === 'zeros at the end' || gaps === 'holes') notes.push(GAP_NOTES[gaps])
  if (gaps === 'only zeros' || gaps === 'end unwritten') holds.push({ cause: gaps, reason: GAP_HOLDS[gaps] })
  if (isMarked(Number(identity.mtimeNs / 1_000_000n))) notes.push(MARKED)
  if (isFirstSecond(identity.mtimeNs)) holds.push(BROKEN_OFF)
  return { ...judgement, notes, holds }
}

/** Some copies put 0 for the seconds and leave the fraction of the source's date. */
function isFirstSecond(mtimeNs: bigint): boolean {
  return mtimeNs >= 0n && mtimeNs < 1_000_000_000n
}

const GAP_NOTES = {
  'zeros at the end':
    'It ends in a long run of zeros: padding, or a copy that reserved the full size and did not write the rest. Compare its digest with the one at its source.',
  holes:
    'The disk holds no data for parts of it: a tool left out zeros, or a download that reserved the full size and broke off. Compare its digest with the one at its source.',
}
const GAP_HOLDS = {
  'only zeros':
    'It is nothing but zeros: a copy that set its size and broke off before the first byte leaves this. Copy it again, or lift the hold if it is meant to be so.',
  'end unwritten':
    'Its end was never written: it has its full size, but the disk holds no data for the end of it. A copy that broke off leaves this. Copy it again, or lift the hold if it is meant to be so.',
}
const MARKED =
  'Its date is that of 1970 or 1980, which some copies give to a file that is not complete, and some archives to every file. Compare its digest with the one at its source.'
const BROKEN_OFF: HoldReason = {
  cause: 'dated 1970',
  reason:
    'Its date is 1970-01-01, 00:00:00 UTC, which a copy that broke off gives to the part that it got. Copy it again, put its published checksum beside it, or lift the hold if it is whole.',
}
