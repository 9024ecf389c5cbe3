/**
 * Versions of one device: planned, and as a person observed them. What a person wrote later corrects what was
 * written before. An order is claimed only where `compareVersions` can tell.
 */
import type { EntryOf } from '../ledger/entries.ts'
import { guessFromName } from './version-finding.ts'
import { compareVersions } from './version-order.ts'

/** `planned`: the cells of the sheet, and the name of the last planned image where it is known. */
export function versionStanding(
  planned: { readonly before: string | null; readonly target: string | null; readonly image: string | null },
  observations: readonly EntryOf<'observed'>[],
) {
  const plannedBefore = planned.before
  const guessed = planned.image === null ? undefined : guessFromName(planned.image)
  const target = planned.target ?? guessed ?? null
  const targetGuessed = planned.target === null && target !== null
  const guess = 'in the name of the image (a guess)'
  const named = targetGuessed ? `version ${guess}, ${target},` : `planned version ${target}`
  const before = observations.findLast((seen) => seen.before !== undefined)?.before ?? null
  const after = observations.findLast((seen) => seen.after !== undefined)?.after ?? null
  const start = before ?? plannedBefore
  const warnings: string[] = []
  const remarks: string[] = []
  if (start !== null && target !== null && compareVersions(start, target) === 'older') {
    // A guess is no ground for a warning.
    const said = targetGuessed ? remarks : warnings
    said.push(`Downgrade: the ${named} is older than ${start}.`)
  }
  if (start !== null && after !== null && compareVersions(start, after) === 'older') {
    warnings.push(`Downgrade: the version observed after, ${after}, is older than ${start}.`)
  }
  if (before !== null && plannedBefore !== null && compareVersions(plannedBefore, before) !== 'same') {
    warnings.push(`The version observed before, ${before}, is not the one on the sheet, ${plannedBefore}.`)
  }
  const order = after === null || target === null ? 'cannot tell' : compareVersions(target, after)
  const reached = order === 'cannot tell' ? null : order === 'same'
  if (reached === false) {
    remarks.push(
      `The version observed after, ${after}, is not the ${targetGuessed ? `one ${guess}` : 'planned one'}, ${target}.`,
    )
  }
  return {
    /** `version_before` of the first row and `version_target` of the last one. */
    plannedBefore,
    target,
    /** The target stands on no sheet: it was found in the name of the planned image. */
    targetGuessed,
    /** A person's observation. */
    before,
    after,
    /** The observed version after is the target; null when one of them is not known or it cannot be told. */
    reached,
    /** What needs a hand. */
    warnings,
    /** What is worth knowing: all that rests on a guess, and an observed version that the standing speaks of. */
    remarks,
  }
}
