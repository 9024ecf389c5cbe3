/** A fetch and a pull as audit, page and report show them (DESIGN: `audit --format json`). Types only. */
import type { Ending } from '../ledger/ending-names.ts'
import type { ClientRef, ImageReference } from '../ledger/entries.ts'

export interface FetchRecord {
  /** Number within its ledger as text; with several folders merged, `folder-number`. */
  readonly id: string
  /**
   * Where in the ledger it began and ended: the order that counts, whatever the clock was set to. Of several ledgers
   * read together, the place among the entries of all of them.
   */
  readonly begunSeq: number
  readonly endedSeq: number | null
  /** The protocol. */
  readonly door: string
  readonly client: ClientRef
  readonly localAddress: string
  readonly method: string | null
  readonly target: string | null
  readonly httpVersion: string | null
  readonly userAgent: string | null
  /** What both sides agreed on beforehand. */
  readonly options: Readonly<Record<string, string>> | null
  readonly range: string | null
  readonly image: ImageReference | null
  readonly status: number | null
  /** null while it is under way. */
  readonly ending: Ending | null
  readonly acknowledged: boolean | null
  readonly first: number
  readonly bytesPromised: number
  readonly bytesHandedOver: number
  /** RFC 3339 UTC. */
  readonly begun: string
  readonly ended: string | null
  readonly firstByteMs: number | null
  readonly lastByteMs: number | null
  /** When the send queue was seen empty while the client was still to close. */
  readonly acknowledgedMs: number | null
  /** Which run of the server recorded it, counted in its ledger. */
  readonly run: number
  /** When it began, in ms since that run began, by a clock that only goes forward; null in older ledgers. */
  readonly upMs: number | null
  readonly durationMs: number | null
  /** What was sent again for want of an answer; null where the door does not do that itself. */
  readonly resent: number | null
  readonly reason: string | null
  readonly hint: string | null
  readonly versionChanged: boolean
  /** Other fetches of this client and version that were moving when this one came. */
  readonly beside: number
  readonly rehearsal: boolean
  /** How many like requests this record stands for. */
  readonly count: number
}

export const PULL_STATES = ['running', 'complete', 'unconfirmed', 'incomplete'] as const
export type PullState = (typeof PULL_STATES)[number]

export interface PullRecord {
  readonly client: {
    readonly address: string
    readonly mac: string | null
    /** Name on the visit sheet, where the visit knows it. */
    readonly device: string | null
  }
  /** Of a client that went on under another address: all of them, the first one first. */
  readonly addresses?: readonly string[]
  readonly image: ImageReference
  readonly state: PullState
  /** Bytes known to be held: delivered ranges and the client's own resume statements. */
  readonly bytesCovered: number
  /** Of its first fetch, and of the latest entry that says something about it. */
  readonly begunSeq: number
  readonly latestSeq: number
  readonly begun: string
  readonly ended: string | null
  /** From the first beginning to the last byte; how long the device then took to close is not in it. */
  readonly seconds: number | null
  readonly bytesPerSecond: number | null
  readonly versionChanged: boolean
  readonly shared: boolean
  /** Plain sentences about what was seen: resumed, several devices behind this address, … */
  readonly notes: readonly string[]
  readonly fetches: readonly string[]
}
