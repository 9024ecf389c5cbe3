/**
 * What the bench page is shown, as JSON. Types only: the page's source shares them with the server. The stream
 * sends the whole snapshot first and afterwards only the members that changed.
 */
import type { LivePull } from '../delivery/live-pulls.ts'
import type { FetchRecord, PullRecord } from '../delivery/records.ts'
import type { OwnAddress } from '../network/addresses.ts'
import type { FirewallLine } from '../network/firewall.ts'
import type { ImageView } from '../report/image-view.ts'
import type { NotOffered } from '../staging/not-offered.ts'
import type { Unused } from '../trust/published/unused.ts'
import type { VisitRowView } from './visit-view.ts'

export interface Snapshot {
  readonly program: ProgramView
  readonly nextSteps: readonly NextStep[]
  readonly addresses: readonly AddressView[]
  /** The lines for this system's own firewall, the likely tool first; empty where none was found. */
  readonly firewall: readonly FirewallLine[]
  /** By name; of more than `IMAGES_AT_MOST` those that need a hand first, the others as far as there is room. */
  readonly images: readonly ShownImage[]
  /** How many images there are, those left out included. */
  readonly imagesInAll: { readonly known: number; readonly ready: number }
  /** What lies in the staging folder and may be taken for an image; the first so many of it. */
  readonly notOffered: readonly NotOffered[]
  /** What checksum texts say and was used for no image, with the image that it may concern; the first so many. */
  readonly unused: readonly Unused[]
  /** Lines to paste with `{url}` and the like in them; the plain URL is always offered. */
  readonly pasteLines: readonly PasteLine[]
  readonly underWay: readonly LivePull[]
  /** Pulls that are over, newest first, at most `PULLS_KEPT`. */
  readonly pulls: readonly PullRecord[]
  /** How many pulls are over, those left out included. */
  readonly pullsOver: number
  /** Requests that got no image, newest first. */
  readonly refusals: readonly FetchRecord[]
  /** Other fetches that ended, newest first. */
  readonly fetches: readonly FetchRecord[]
  /** What a person recorded by hand and may take back, newest first, at most `RECENT_AT_MOST`. */
  readonly recorded: readonly RecordedView[]
  readonly troubles: readonly { readonly at: string; readonly message: string }[]
  readonly ledger: LedgerView
  /** Who is done, who is not, who needs a person. */
  readonly board: BoardView
  /** Pulls of what is not planned for their device, by their first fetch. */
  readonly wrongPulls: readonly string[]
  /** What is still to be pulled by the sheet and how long that takes, in words; null when nothing is. */
  readonly remaining: string | null
}

/** What became other: whole members, and of pulls only those that did; some may be under way again. */
export interface SnapshotChange extends Partial<Snapshot> {
  readonly pullsChanged?: readonly PullRecord[]
}

interface ProgramView {
  readonly version: string
  /** The staging folder, absolute. */
  readonly folder: string
  readonly host: string
  /** RFC 3339 UTC. */
  readonly started: string
  /** The line that starts this run anew, but for the port of the page. */
  readonly command: string
}

/** `md5`: for lines to paste that name it; null while it is not known. */
export type ShownImage = ImageView & {
  readonly md5: string | null
  /** The others that are known, by algorithm. */
  readonly digests: Readonly<Record<string, string>>
}

export interface AddressView
  extends Pick<OwnAddress, 'address' | 'interface' | 'cidr' | 'tunnel' | 'linkLocal' | 'offerable'> {
  /** A connection came to this address in this run. */
  readonly reached: boolean
  /** Base URLs of every door, the main port first; empty when nothing is listened on there. */
  readonly urls: readonly BaseView[]
}

export interface BaseView {
  /** Without a slash at the end. */
  readonly url: string
  readonly port: number
  /** The protocol. */
  readonly door: string
  /** Forms of the line to paste, the usual one first; fields as in `pasteLines`. */
  readonly lines: readonly string[]
}

export interface PasteLine {
  readonly name: string
  readonly text: string
}

interface RecordedView {
  /** Of the entry. */
  readonly seq: number
  readonly at: string
  readonly text: string
}

export interface LedgerView {
  readonly entries: number
  readonly head: string
  readonly writable: boolean
}

/**
 * `alarm`: a device pulls or has the wrong image; `act`: devices are kept waiting; `look`: worth a look; `tip`: how
 * to go on.
 */
export type Weight = 'alarm' | 'act' | 'look' | 'tip'

export interface NextStep {
  /** Stays the same while the matter does, so that a reader is not told twice. */
  readonly key: string
  readonly weight: Weight
  readonly text: string
  /** The image it is about, by name. */
  readonly image?: string
  /** What to type or paste, exactly. */
  readonly line?: string
  /** How many images or devices it stands for; one where it is absent. */
  readonly things?: number
}

export interface BoardView {
  /** Name of the visit sheet; null while there is none, and the rows are the clients that came. */
  readonly sheet: string | null
  /** In one sentence. */
  readonly tally: string
  /** Nothing is left but to compare digests and to save the report. */
  readonly ended: boolean
  /** Attention first, then what moves, then what waits, then what is done. */
  readonly rows: readonly BoardRow[]
}

export interface BoardRow extends VisitRowView {
  /** Stays the same while it is about the same device. */
  readonly key: string
  /** A row of the sheet says what it is to have. */
  readonly planned: boolean
  /** The own address in its subnet, for its line to paste; null where none is. */
  readonly own: string | null
}
