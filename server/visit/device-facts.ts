/** What is known of one device of the sheet, gathered from the ledger's entries. Types only. */
import type { PullRecord } from '../delivery/records.ts'
import type { EntryOf, ImageReference } from '../ledger/entries.ts'
import type { Hint } from './hints.ts'
import type { VersionOnRecord } from './offers.ts'
import type { DarkOrBack, DevicePlan, PrintedDigest } from './plan-shape.ts'
import type { ImageNames } from './planned-image.ts'
import type { PlannedRow } from './sheet-rows.ts'
import type { AskedInVain } from './visit-evidence.ts'

/** A pull from the device, or from an address that it shares. */
export interface Pulled {
  readonly pull: PullRecord
  /** Several devices of the sheet stand behind the address. */
  readonly shared: boolean
  readonly onRecord: VersionOnRecord
}

/** What a person read off the device, or the device printed. */
export interface DeviceObservation {
  readonly seq: number
  readonly at: string
  readonly by: string
  readonly after?: string | undefined
  readonly printed?: {
    readonly digest: Pick<PrintedDigest, 'algorithm' | 'value'>
    readonly image: ImageReference | undefined
    readonly onRecord: VersionOnRecord
  }
}

export interface DeviceFacts {
  /** Its rows, step by step; at least one. */
  readonly rows: readonly PlannedRow[]
  /** In the order they began. */
  readonly pulls: readonly Pulled[]
  readonly asked: readonly AskedInVain[]
  readonly observations: readonly EntryOf<'observed'>[]
  readonly seen: readonly DeviceObservation[]
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
  readonly via?: { readonly plan: DevicePlan; readonly facts: DeviceFacts } | undefined
  /** The visit is over: what is under way has not ended, what is waited for has not come. */
  readonly over: boolean
  /** What its fetches may mean. */
  readonly hints: readonly Hint[]
  /** It went dark and should have been back by now. */
  readonly notBack: boolean
}
