/** What is known of one device of the sheet, gathered from the ledger's entries. Types only. */
import type { FetchRecord, PullRecord } from '../delivery/records.ts'
import type { EntryOf } from '../ledger/entries.ts'
import type { Hint } from './hints.ts'
import type { DarkOrBack, DevicePlan } from './plan-shape.ts'
import type { ImageNames } from './planned-image.ts'
import type { PlannedRow } from './sheet-rows.ts'

export interface DeviceFacts {
  /** Its rows, step by step; at least one. */
  readonly rows: readonly PlannedRow[]
  readonly pulls: readonly PullRecord[]
  readonly fetches: readonly FetchRecord[]
  readonly observations: readonly EntryOf<'observed'>[]
  readonly returns: readonly DarkOrBack[]
  /** Of what is or was on offer. */
  readonly images: ImageNames
  /** Other devices of the sheet behind the same address, when pulls came from it. */
  readonly sharedWith: readonly string[]
  /** Pulls from its address by another hardware address. */
  readonly takenBy: readonly PullRecord[]
  /** Rows of devices that this one pulls for. */
  readonly behindRows: readonly PlannedRow[]
  /** The device that pulls for this one, and all that it pulled. */
  readonly via?: { readonly plan: DevicePlan; readonly pulls: readonly PullRecord[] }
  readonly over: boolean
  /** What its fetches may mean. */
  readonly hints: readonly Hint[]
  /** It went dark and should have been back by now. */
  readonly notBack: boolean
}
