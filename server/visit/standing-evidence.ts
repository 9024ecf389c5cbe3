/** What the standing of a device's steps is derived from, and what an image is to a device. */
import type { FetchRecord } from '../delivery/records.ts'
import type { ImageReference } from '../ledger/entries.ts'
import type { DeviceFacts } from './device-facts.ts'
import type { VersionOnRecord } from './offers.ts'
import type { StepPlan } from './plan-shape.ts'
import type { PlannedRow } from './sheet-rows.ts'

export interface StandingFacts
  extends Pick<DeviceFacts, 'rows' | 'images' | 'pulls' | 'seen' | 'othersRows' | 'over'> {
  readonly refusal: FetchRecord | null
  /** Something came from it. */
  readonly came: boolean
}

export type StepStanding = Pick<StepPlan, 'standing' | 'grounds' | 'pull' | 'attempts'>

/** `steps`: whose image it is, from 0; `earlier`: another version of that file was on offer since. */
type ImagePlace =
  | { readonly kind: 'step'; readonly steps: readonly number[]; readonly earlier: boolean }
  | { readonly kind: 'rollback' }
  | { readonly kind: 'of others' }
  | { readonly kind: 'not planned' }

/** No image stands on any of its rows: whatever it takes is right. */
export function isFree(rows: readonly PlannedRow[]): boolean {
  return rows.every(({ image }) => image === null)
}

export function imagePlace(
  image: ImageReference,
  { earlier }: VersionOnRecord,
  { rows, othersRows, images }: Pick<StandingFacts, 'rows' | 'othersRows' | 'images'>,
): ImagePlace {
  const names = (cell: string | null): cell is string => cell !== null && images.names(cell, image)
  const free = isFree(rows)
  const steps = rows.flatMap((row, step) => (free || names(row.image) ? [step] : []))
  if (steps.length > 0) {
    const pinned = steps.some((step) => images.namesVersion(rows[step]?.image ?? '', image))
    return { kind: 'step', steps, earlier: earlier && !pinned }
  }
  if (rows.some((row) => names(row.rollback))) return { kind: 'rollback' }
  const others = othersRows.some((row) => names(row.image) || names(row.rollback))
  return { kind: others ? 'of others' : 'not planned' }
}
