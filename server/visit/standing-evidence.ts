/** What the standing of a device's steps is derived from, and what an image is to a device. */
import type { FetchRecord, PullRecord } from '../delivery/records.ts'
import type { ImageReference } from '../ledger/entries.ts'
import type { VersionOnRecord } from './offers.ts'
import type { Grounds, PrintedDigest, Standing } from './plan-shape.ts'
import type { ImageNames } from './planned-image.ts'
import type { PlannedRow } from './sheet-rows.ts'

/** A pull from the device, or from an address that it shares. */
export interface Pulled {
  readonly pull: PullRecord
  /** Several devices of the sheet stand behind the address. */
  readonly shared: boolean
  readonly onRecord: VersionOnRecord
}

/** What a person read off the device, or the device printed. */
export interface Observed {
  readonly seq: number
  readonly at: string
  readonly by: string
  readonly after?: string
  readonly printed?: {
    readonly digest: Pick<PrintedDigest, 'algorithm' | 'value'>
    readonly image: ImageReference | undefined
    readonly onRecord: VersionOnRecord
  }
}

export interface StandingFacts {
  /** Its rows, step by step; at least one. */
  readonly rows: readonly PlannedRow[]
  readonly images: ImageNames
  /** In the order they began. */
  readonly pulls: readonly Pulled[]
  readonly seen: readonly Observed[]
  /** What is planned for others that it pulls for, or shares an address with. */
  readonly othersRows: readonly PlannedRow[]
  readonly refusal: FetchRecord | null
  /** The visit is over: what is under way has not ended, what is waited for has not come. */
  readonly over: boolean
  /** Something came from it. */
  readonly came: boolean
}

export interface StepStanding {
  readonly standing: Standing
  readonly grounds: Grounds | null
  readonly pull: PullRecord | null
  readonly attempts: readonly PullRecord[]
}

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
