/** What is known of one device of the sheet, gathered from the ledger's entries. Types only. */
import type { PullRecord } from '../delivery/records.ts'
import type { EntryOf } from '../ledger/entries.ts'
import type { Hint } from './hints.ts'
import type { DarkOrBack, DevicePlan } from './plan-shape.ts'
import type { ImageNames } from './planned-image.ts'
import type { PlannedRow } from './sheet-rows.ts'
import type { Observed, Pulled } from './standing-evidence.ts'
import type { AskedInVain } from './visit-evidence.ts'

export interface DeviceFacts {
  /** Its rows, step by step; at least one. */
  readonly rows: readonly PlannedRow[]
  /** In the order they began. */
  readonly pulls: readonly Pulled[]
  readonly asked: readonly AskedInVain[]
  readonly observations: readonly EntryOf<'observed'>[]
  readonly seen: readonly Observed[]
  readonly returns: readonly DarkOrBack[]
  /** Of what is or was on offer. */
  readonly images: ImageNames
  /** Other devices of the sheet behind the same address, when pulls came from it. */
  readonly sharedWith: readonly string[]
  /** Pulls from its address by another hardware address. */
  readonly takenBy: readonly PullRecord[]
  /** Rows of devices that this one pulls for, or shares an address with. */
  readonly othersRows: readonly PlannedRow[]
  /** The device that pulls for this one, and what is known of that one. */
  readonly via?: { readonly plan: DevicePlan; readonly facts: DeviceFacts }
  readonly over: boolean
  /** What its fetches may mean. */
  readonly hints: readonly Hint[]
  /** It went dark and should have been back by now. */
  readonly notBack: boolean
}
