/**
 * The judge that the catalogue asks: published checksum, format, and whether the image is held. A published
 * SHA-256, SHA-384 or SHA-512 that matches outweighs what the format check thinks: the bytes are the maker's.
 */
import { createHash } from 'node:crypto'
import { join } from 'node:path'
import Type from 'typebox'
import { Value } from 'typebox/value'
import { checkFolder, openInside } from '../files/folder.ts'
import { FormatStanding, type HoldReason, type Published } from '../ledger/entries.ts'
import type { Judge, JudgeInput, Judgement } from '../staging/judge.ts'
import { type Algorithm, algorithmText } from './digests/algorithm.ts'
import { CHECKSUM_TEXT_BYTES } from './digests/stated-digests.ts'
import type { FormatChecker } from './formats/check-queue.ts'
import { type CheckedFormat, NOT_CHECKED } from './formats/format-finding.ts'
import type { Claim, Comparison } from './published/comparison.ts'
import { isChecksumFile } from './published/names.ts'
import type { PublishedChecksums } from './published/published-checksums.ts'

/**
 * A judgement with what the format check said apart from the rest: `notes` mixes it with what checksum files
 * say, and those may change while the bytes do not.
 */
interface FullJudgement extends Judgement {
  readonly checked?: CheckedFormat
}

export interface JudgeDeps {
  /** The staging folder, for reading checksum files. */
  readonly folder: string
  readonly checksums: PublishedChecksums
  readonly formats: Pick<FormatChecker, 'check'>
  /** The published checksum that this version was found to differ from, as the ledger knows. */
  readonly differed?: ((name: string, sha256: string) => Published | undefined) | undefined
  /** Whether a person who pasted that checksum has taken it back. */
  readonly struck?: ((name: string, published: Published) => boolean) | undefined
}

const Checked = Type.Object({
  ...FormatStanding.properties,
  covers: Type.Union(['contents', 'structure', 'nothing'].map((covers) => Type.Literal(covers))),
  notes: Type.Array(Type.String()),
})

export function createJudge({ folder, checksums, formats, differed, struck }: JudgeDeps): Judge {
  return {
    isChecksumFile,
    async checksumFileChanged(name, gone) {
      // Forgotten first: a file that cannot be read must not go on speaking with what it said before.
      const said = checksums.remove(name)
      return gone ? said : (await checksums.set(name, await readChecksumFile(folder, name))) || said
    },
    async judge({ name, file, version, digest, earlier }) {
      const known = checkedBefore(earlier)
      const [standing, checked] = await Promise.all([
        checksums.standingOf(name, digest),
        known ?? formats.check(file, { name }),
      ])
      const judgement = judgementOf(standing, checked, checksums.isList(name))
      if (standing.standing !== 'none') return judgement
      const before = earlier?.published.standing === 'differs' ? earlier.published : undefined
      const unmet = before ?? differed?.(name, version.sha256)
      if (unmet === undefined || struck?.(name, unmet) === true) return judgement
      return stillDiffering(judgement, unmet)
    },
  }
}

async function readChecksumFile(folder: string, name: string): Promise<Uint8Array> {
  const real = await checkFolder(folder)
  const file = await openInside(real, join(real, ...name.split('/')))
  try {
    // One byte more than is read at most, so that a longer file shows as one.
    return await file.readHead(Math.min(Number(file.identity.size), CHECKSUM_TEXT_BYTES) + 1)
  } finally {
    await file.close()
  }
}

/** What the format check said of these same bytes, when the earlier judgement carries it (it may come from disk). */
function checkedBefore(earlier: JudgeInput['earlier']): CheckedFormat | undefined {
  const checked = (earlier as FullJudgement | undefined)?.checked
  if (checked === undefined || checked.kind === NOT_CHECKED) return undefined
  // The ledger vouches for `format` alone.
  if (checked.kind !== earlier?.format.kind || checked.verdict !== earlier.format.verdict) return undefined
  return Value.Check(Checked, checked) ? checked : undefined
}

function judgementOf(standing: Comparison, checked: CheckedFormat, isList: boolean): FullJudgement {
  const trusted = standing.standing === 'matches' && outweighs(standing.algorithm)
  const doubt = formatDoubt(checked)
  const held = trusted || doubt === undefined ? [] : [doubtReason(checked, doubt)]
  const overruled = trusted && doubt !== undefined ? [overruledNote(doubt, standing)] : []
  const { covers, notes, ...format } = checked
  return {
    published: publishedOf(standing),
    format,
    notes: [...standing.notes, ...overruled, ...notes],
    // A format without checksums of its contents looks sound while a preallocated copy is still under way.
    sure: standing.standing === 'matches' || (format.verdict === 'sound' && covers === 'contents'),
    checked,
    holds: [...differsReasons(standing), ...(isList ? [A_LIST] : held)],
  }
}

const A_LIST: HoldReason = {
  cause: 'list of checksums',
  reason:
    'It is a list of checksums: it is read as one, and given to nobody. Lift the hold if devices are to fetch it itself.',
}

function outweighs(algorithm: Algorithm | undefined): boolean {
  return algorithm === 'sha256' || algorithm === 'sha384' || algorithm === 'sha512'
}

function doubtReason({ kind, verdict }: CheckedFormat, doubt: string): HoldReason {
  const todo = 'Copy or download it again, or lift the hold if it is meant to be so.'
  return { cause: `${verdict} ${kind}`, reason: `${doubt} ${todo}` }
}

/** More than these of one image are no maker's; a lift need not name each. */
const CAUSES_AT_MOST = 16

/** A reason for each digest that the file does not have: the lift of one says nothing of another. */
function differsReasons({ differing = [], agreeing, conflict }: Comparison): HoldReason[] {
  const told =
    conflict === undefined
      ? undefined
      : `The published checksums contradict each other: ${conflict.join('; ')}. Find out which one belongs to this file and remove the other.`
  const reasons = differing.map((claim) => ({
    cause: causeOf(claim),
    reason: told ?? differsReason(claim, agreeing),
  }))
  const [first] = reasons
  if (first === undefined || reasons.length <= CAUSES_AT_MOST) return reasons
  const all = createHash('sha256')
    .update(reasons.map(({ cause }) => cause).join())
    .digest('hex')
  return [{ cause: `differs ${reasons.length} times ${all}`, reason: first.reason }]
}

function causeOf({ algorithm, digest = 'unknown' }: Pick<Published, 'algorithm' | 'digest'>): string {
  return `differs ${algorithm ?? 'checksum'} ${digest}`
}

function differsReason({ algorithm, source }: Claim, agreeing: Claim | undefined): string {
  const though =
    agreeing === undefined ? '' : `, though its ${labelOf(agreeing.algorithm)} is (${agreeing.source})`
  return `Its ${labelOf(algorithm)} is not the published one (${source})${though}. The file is damaged or another version: download it again, or get the checksum that belongs to it.`
}

/**
 * A checksum that is removed, emptied or half written was not met all the same: only one that matches, or a person,
 * lets the image pass.
 */
function stillDiffering(judgement: FullJudgement, published: Published): FullJudgement {
  const label = labelOf(published.algorithm)
  const reason = `Its ${label} was not the published one (${published.source ?? 'source unknown'}), and that is not to be found any more. Put the checksum that belongs to this file beside it, download it again, or lift the hold.`
  const holds = [{ cause: causeOf(published), reason }, ...judgement.holds]
  return { ...judgement, published, holds, sure: false }
}

/** What the format check has against the file, as a sentence; undefined when nothing. */
function formatDoubt({ kind, verdict, detail }: CheckedFormat): string | undefined {
  if (verdict === 'damaged') return `The ${kind} data is damaged (${detail ?? 'no detail'}).`
  if (verdict === 'not firmware') return `This is not firmware: ${detail ?? kind}.`
  return undefined
}

function overruledNote(doubt: string, { algorithm, source }: Comparison): string {
  return `${doubt} It is served all the same: its ${labelOf(algorithm)} is the published one (${source ?? 'source unknown'}).`
}

function labelOf(algorithm: string | undefined): string {
  return algorithm === undefined ? 'checksum' : algorithmText(algorithm)
}

function publishedOf({ standing, algorithm, source, differing, conflict }: Comparison): Published {
  const shown = conflict === undefined ? source : conflict.join('; ')
  const digest = differing?.[0]?.digest
  return {
    standing,
    ...(algorithm !== undefined && { algorithm }),
    ...(shown !== undefined && { source: shown }),
    ...(digest !== undefined && { digest }),
  }
}
