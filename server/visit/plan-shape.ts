/** What is concluded of a device's steps and what it rests on, as page, audit and report show it. Types only. */
import type { PullRecord } from '../delivery/records.ts'
import type { EntryOf } from '../ledger/entries.ts'
import type { PlannedRow } from './sheet-rows.ts'
import type { Standing } from './standing-names.ts'

/** What a standing rests on, where it is more than the pull of its step. */
export type Grounds =
  | { readonly kind: 'printed'; readonly printed: PrintedDigest }
  /** It printed the digest of another image, or of none. */
  | { readonly kind: 'printed another'; readonly printed: PrintedDigest }
  | {
      readonly kind: 'observed another'
      readonly at: string
      readonly by: string
      readonly after: string
      readonly target: string
    }
  /** Another version of the file was on offer after the one that it took. */
  | { readonly kind: 'earlier version'; readonly image: string }
  | { readonly kind: 'held'; readonly image: string; readonly reason: string }
  /** Not planned, or the rollback image. */
  | { readonly kind: 'another image'; readonly image: string; readonly whole: boolean }
  | {
      readonly kind: 'refused'
      readonly at: string
      readonly status: number | null
      readonly reason: string
      readonly hint: string | null
      readonly target: string | null
    }
  /** `ended`: the pull was not still under way when the record ends. */
  | { readonly kind: 'broken off'; readonly at: string; readonly ended: boolean }
  /** An earlier step was done again after this one. */
  | { readonly kind: 'out of order' }

export type DarkOrBack = EntryOf<'device-dark'> | EntryOf<'device-back'>

export interface StepPlan {
  readonly row: PlannedRow
  /** What was planned: the cell, or of a device behind another one whatever that one was to pull. */
  readonly image: string | null
  readonly standing: Standing
  readonly grounds: Grounds | null
  /** The pull that the standing rests on, or the latest of the planned image. */
  readonly pull: PullRecord | null
  /** All pulls of the planned image, in the order they began. */
  readonly attempts: readonly PullRecord[]
  /** An image of that name or digest was on offer; null when none is planned. */
  readonly offered: boolean | null
}

/** A digest that the device itself printed: the best evidence of what it holds. */
export interface PrintedDigest {
  readonly at: string
  readonly by: string
  readonly algorithm: string
  readonly value: string
  /** The image that it is the digest of. */
  readonly image: string | null
  /** It is the planned version's, of whichever step; null when nothing is planned. */
  readonly planned: boolean | null
}
