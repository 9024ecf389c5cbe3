/** The plan against what happened, a row a device, as page, audit and report show it. Types and standings only. */
import type { PullRecord } from '../delivery/records.ts'
import type { EntryOf } from '../ledger/entries.ts'
import type { PlannedRow } from './sheet-rows.ts'
import type { VersionStanding } from './version-standing.ts'

export const STANDINGS = [
  'waiting',
  'pulling',
  'pulled',
  /** The device named by `via` pulled the image; what this one holds was not seen. */
  'pulled by another',
  'unconfirmed',
  /** A pull of the planned image broke off and was not taken up again. */
  'incomplete',
  'wrong image',
  /** At the end: the device fetched something or was refused, but never pulled what was planned. */
  'not pulled',
  /** At the end: nothing came from it. */
  'not seen',
  /** No image stands on its row. */
  'nothing planned',
] as const
export type Standing = (typeof STANDINGS)[number]

export type DarkOrBack = EntryOf<'device-dark'> | EntryOf<'device-back'>

/** How a device was told: `shared address` when several devices of the sheet stand behind one. */
export type IdentifiedBy = 'hardware address' | 'address' | 'shared address'

export interface StepPlan {
  readonly row: PlannedRow
  /** What was planned: the cell, or of a device behind another one whatever that one was to pull. */
  readonly image: string | null
  readonly standing: Standing
  /** The pull that the standing rests on. */
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
  /** It is the planned image's (of the last step); null when that cannot be told. */
  readonly planned: boolean | null
}

export interface ReturnToService {
  /** RFC 3339 UTC; null when it was dark already at the first look. */
  readonly darkAt: string | null
  /** null while it has not answered again. */
  readonly backAt: string | null
  readonly darkMs: number | null
  readonly address: string
}

export interface DevicePlan {
  readonly device: string
  readonly address: string | null
  readonly mac: string | null
  readonly via: string | null
  readonly model: string | null
  readonly serial: string | null
  readonly standing: Standing
  /** The step that the standing is about, from 1. */
  readonly step: number
  readonly steps: readonly StepPlan[]
  /** Everything planned was pulled, or the device printed the planned image's digest. */
  readonly done: boolean
  readonly wrongPulls: readonly PullRecord[]
  readonly rollbackPulls: readonly PullRecord[]
  readonly identifiedBy: IdentifiedBy | null
  /** Addresses that it was seen under. */
  readonly seenAt: readonly string[]
  readonly macSeen: string | null
  readonly refusals: number
  readonly versions: VersionStanding
  readonly printed: PrintedDigest | null
  readonly observations: readonly EntryOf<'observed'>[]
  readonly returned: ReturnToService | null
  /** Plain sentences: what was seen and how sure it is. */
  readonly remarks: readonly string[]
  /** Plain sentences that need a hand. */
  readonly warnings: readonly string[]
}

/** A client that pulled without standing on the sheet. */
export interface Stranger {
  readonly addresses: readonly string[]
  readonly mac: string | null
  readonly pulls: readonly PullRecord[]
  readonly remark: string | null
}

export interface Plan {
  readonly devices: readonly DevicePlan[]
  readonly strangers: readonly Stranger[]
  /** Observations of devices that are not on the sheet. */
  readonly otherObservations: readonly EntryOf<'observed'>[]
  readonly counts: Readonly<Partial<Record<Standing, number>>>
  /** Nothing is left to do: every device done, none with the wrong image. */
  readonly complete: boolean
}
