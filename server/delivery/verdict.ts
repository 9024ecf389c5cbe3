/**
 * What the evidence of one pull allows to be said. Pure. `complete` only when delivered ranges and the client's
 * own resume statements cover every byte; bytes that were merely handed over make it `unconfirmed` at best.
 */
import type { ImageReference } from '../ledger/entries.ts'
import { movedAtOnce, overAll } from './at-the-same-time.ts'
import { type Coverage, cover, coveredBytes, coversAll, overlap, type Span } from './coverage.ts'
import type { FetchRecord, PullRecord, PullState } from './records.ts'

export interface PullEvidence {
  readonly image: ImageReference
  /** By id, in the order they began. */
  readonly fetches: Map<string, FetchRecord>
  /** What the client said itself that it holds, as far as it could by what had been handed over when it asked. */
  readonly stated: Span[]
  /** Where the ledger has the latest of its statements that was no fetch; 0 without. */
  statedSeq: number
  shared: boolean
  /** Some bytes were handed over twice at the same time, whoever took them. */
  doubled: boolean
}

export function promisedSpan(fetch: FetchRecord): Span {
  return { first: fetch.first, end: fetch.first + fetch.bytesPromised }
}

function handedSpan({ first, ending, bytesPromised, bytesHandedOver }: FetchRecord): Span {
  // A client that said that it gives up holds less, although its system may have been given all.
  const lacking = ending === 'cut' && bytesHandedOver === bytesPromised ? 1 : 0
  return { first, end: first + bytesHandedOver - lacking }
}

/**
 * The same bytes handed over to one address twice at the same time. Both delivered: several devices stand behind
 * it. Else it may be one client that left requests early, as segmented ones do, or a device that restarted.
 * Waiting for the client to close does not count as handing over.
 */
export function handedTwice(a: FetchRecord, b: FetchRecord): 'no' | 'by one or several' | 'to several' {
  if (a.id === b.id || a.ended === null || b.ended === null) return 'no'
  if (!movedAtOnce(a, b) || !overlap(handedSpan(a), handedSpan(b))) return 'no'
  return a.ending === 'delivered' && b.ending === 'delivered' ? 'to several' : 'by one or several'
}

/** What is known of a pull's client: its hardware address, and its name on the visit sheet. */
export interface KnownClient {
  readonly mac: string | null
  readonly device: string | null
}

/** Judges one pull. */
export function judgePull(pull: PullEvidence, { mac, device }: KnownClient): PullRecord {
  const fetches = [...pull.fetches.values()]
  const segmented = isSegmented(pull, fetches)
  // A client that works in segments says nothing by its ranges.
  const stated = segmented ? [] : pull.stated
  const delivered = fetches.filter((fetch) => fetch.ending === 'delivered').map(promisedSpan)
  const held = cover(stated.length === 0 ? delivered : [...delivered, ...stated])
  const state = stateOf(pull, fetches, held, segmented)
  const first = fetches[0]
  const begun = first?.begun ?? ''
  const { seconds, ended } = state === 'running' ? { seconds: null, ended: null } : overAll(fetches)
  const bytes = fetches.reduce((sum, fetch) => sum + fetch.bytesHandedOver, 0)
  const addresses = addressesOf(fetches)
  return {
    client: { address: first?.client.address ?? '', mac, device },
    ...(addresses.length > 1 && { addresses }),
    image: pull.image,
    state,
    bytesCovered: coveredBytes(held),
    begunSeq: first?.begunSeq ?? 0,
    latestSeq: fetches.reduce(
      (seq, fetch) => Math.max(seq, fetch.endedSeq ?? fetch.begunSeq),
      pull.statedSeq,
    ),
    begun,
    ended,
    seconds,
    bytesPerSecond: seconds === null || seconds === 0 ? null : Math.round(bytes / seconds),
    versionChanged: fetches.some((fetch) => fetch.versionChanged),
    shared: pull.shared,
    notes: notesOf(pull, fetches, { stated, segmented, moved: addresses.slice(1) }),
    fetches: fetches.map((fetch) => fetch.id),
  }
}

function stateOf(
  pull: PullEvidence,
  fetches: readonly FetchRecord[],
  held: Coverage,
  segmented: boolean,
): PullState {
  if (fetches.some((fetch) => fetch.ended === null)) return 'running'
  if (coversAll(held, pull.image.bytes)) {
    // Ranges that add up may be those of two devices.
    const unsure = pull.shared || (pull.doubled && segmented)
    return unsure ? 'unconfirmed' : 'complete'
  }
  const handed = cover([...held, ...fetches.map(handedSpan)])
  return coversAll(handed, pull.image.bytes) ? 'unconfirmed' : 'incomplete'
}

/**
 * Whether its ranges have to add up. Not when one fetch alone delivered the whole image: an earlier one may have been
 * moving still, since a server that is busy sees a device's close after the device has come again.
 */
function isSegmented({ image }: PullEvidence, fetches: readonly FetchRecord[]): boolean {
  if (fetches.some(({ ending, bytesPromised }) => ending === 'delivered' && bytesPromised === image.bytes)) {
    return false
  }
  return fetches.some(({ beside, first, bytesPromised }) => beside > 0 || first + bytesPromised < image.bytes)
}

function addressesOf(fetches: readonly FetchRecord[]): string[] {
  const addresses: string[] = []
  for (const { client } of fetches) if (!addresses.includes(client.address)) addresses.push(client.address)
  return addresses
}

interface Seen {
  readonly stated: readonly Span[]
  readonly segmented: boolean
  /** Addresses that the client went on under. */
  readonly moved: readonly string[]
}

function notesOf(
  pull: PullEvidence,
  fetches: readonly FetchRecord[],
  { stated, segmented, moved }: Seen,
): string[] {
  const notes: string[] = []
  if (pull.shared)
    notes.push('several devices share this address: which of them holds the image was not seen')
  if (fetches.some((fetch) => fetch.versionChanged)) {
    notes.push('the client had begun another version and was given this one from the start')
  }
  if (moved.length > 0) notes.push(`went on under another address: ${moved.join(', ')}`)
  if (stated.length > 0) notes.push(`resumed at byte ${stated.map((span) => span.end).join(', ')}`)
  if (segmented) {
    const doubled = pull.doubled && !pull.shared
    notes.push(
      doubled
        ? 'fetched in segments, some bytes twice at the same time: one client that left requests early, or several devices'
        : 'fetched in segments',
    )
  }
  const last = fetches.at(-1)
  if (last?.ending === 'unconfirmed') {
    const so = last.acknowledged === true ? "the client's system acknowledged" : 'handed over'
    notes.push(`${so} every byte, but ${last.reason ?? 'no normal close was seen'}`)
  }
  return notes
}
