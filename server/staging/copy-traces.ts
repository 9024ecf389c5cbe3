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

/**
 * Whether the bytes end in a long run of zeros, and the file system holds no data for it. Zeros that were written
 * say something about a fresh file alone: many images are padded.
 */
export function tailOf(
  { bytes, zerosAtEnd, allocatedBytes }: Pick<Reading, 'bytes' | 'zerosAtEnd' | 'allocatedBytes'>,
  isFresh: boolean,
): Version['tail'] {
  const long = Math.min(LONG_BYTES, Math.max(4096, bytes / 4))
  if (zerosAtEnd < long) return undefined
  // Files of which nothing at all is allocated may lie within their directory's own record.
  if (allocatedBytes > 0 && bytes - allocatedBytes >= long) return 'unwritten'
  return isFresh ? 'zeros' : undefined
}

/** The judgement, with what the traces of a copy add to it. */
export function withCopyTraces(judgement: Judgement, { tail, identity }: Version): Judgement {
  if (judgement.sure) return judgement
  const notes = [
    ...judgement.notes,
    ...(tail === 'zeros' ? [ENDS_IN_ZEROS] : []),
    ...(isMarked(Number(identity.mtimeNs / 1_000_000n)) ? [MARKED] : []),
  ]
  const traces = [
    ...(tail === 'unwritten' ? [UNWRITTEN] : []),
    ...(identity.mtimeNs === 0n ? [BROKEN_OFF] : []),
  ]
  return { ...judgement, notes, holds: [...judgement.holds, ...traces] }
}

const ENDS_IN_ZEROS =
  'It ends in a long run of zeros: padding, or a copy that reserved the full size and did not write the rest. Compare its digest with the one at its source.'
const MARKED =
  'Its date is that of 1970 or 1980, which some copies give to a file that is not complete, and some archives to every file. Compare its digest with the one at its source.'
const UNWRITTEN: HoldReason = {
  cause: 'end unwritten',
  reason:
    'Its end was never written: it has its full size, but the disk holds no data for the end of it. A copy that broke off leaves this. Copy it again, or lift the hold if it is meant to be so.',
}
const BROKEN_OFF: HoldReason = {
  cause: 'dated 1970',
  reason:
    'Its date is 1970-01-01, 00:00:00 UTC, which a copy that broke off gives to the part that it got. Copy it again, put its published checksum beside it, or lift the hold if it is whole.',
}
