/** What is known of one device of the sheet, gathered from the ledger's entries. */
import type { PullRecord } from '../delivery/records.ts'
import type { EntryOf } from '../ledger/entries.ts'
import type { Hint } from './hints.ts'
import type { Offers, VersionOnRecord } from './offers.ts'
import type { DarkOrBack, StepPlan } from './plan-shape.ts'
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

export type DeviceObservation = ReturnType<typeof seenIn>

/** What a person read off the device, or the device printed. `seq`: its place among the entries of all ledgers. */
export function seenIn({ at, by, after, digest }: EntryOf<'observed'>, seq: number, offers: Offers) {
  return { seq, at, by, after, printed: digest && printedIn(digest, offers) }
}

function printedIn(
  { algorithm, value, image: named }: NonNullable<EntryOf<'observed'>['digest']>,
  offers: Offers,
) {
  const image = named ?? offers.withDigest(algorithm, value)
  const onRecord = image === undefined ? { earlier: false, held: null } : offers.judge(image)
  return { digest: { algorithm, value }, image, onRecord }
}

/** All that it was seen under, the first one first. */
export function addressesOf({ addresses, client }: PullRecord): readonly string[] {
  return addresses ?? [client.address]
}

export type Gathered = ReturnType<typeof emptyGathered>

/** What is gathered entry by entry; `rows`: the device's own, step by step. */
export function emptyGathered(rows: readonly [PlannedRow, ...PlannedRow[]]) {
  return {
    rows,
    /** In the order they began. */
    pulls: [] as Pulled[],
    asked: [] as AskedInVain[],
    observations: [] as EntryOf<'observed'>[],
    seen: [] as DeviceObservation[],
    returns: [] as DarkOrBack[],
    /** What its fetches may mean. */
    hints: [] as Hint[],
    /** Other devices of the sheet behind the same address, when pulls came from it. */
    sharedWith: [] as readonly string[],
    /** Pulls from its address by another hardware address. */
    takenBy: [] as PullRecord[],
  }
}

type PulledFor = Pick<StepPlan, 'standing' | 'grounds'> & { readonly steps: readonly StepPlan[] }

export interface DeviceFacts extends Readonly<Gathered> {
  /** Of what is or was on offer. */
  readonly images: ImageNames
  /** Rows of devices that this one pulls for, or shares an address with. */
  readonly othersRows: readonly PlannedRow[]
  /** The device that pulls for this one, and what is known of that one. */
  readonly via?: { readonly plan: PulledFor; readonly facts: DeviceFacts } | undefined
  /** The visit is over: what is under way has not ended, what is waited for has not come. */
  readonly over: boolean
  /** It went dark and should have been back by now. */
  readonly notBack: boolean
}
