/**
 * What is known of one pull, kept as its fetches begin and end: each costs as much as the one before, however many
 * there are.
 */
import type { ImageReference } from '../ledger/entries.ts'
import type { Coverage, Span } from './coverage.ts'
import type { Durations } from './fetch-times.ts'
import { resumeOffset } from './range-header.ts'
import type { FetchRecord } from './records.ts'

const STATEMENTS_KEPT = 20

/** Flat, and lists made only when there is something for them: of all that is read back, pulls are what stays in memory. */
export interface PullEvidence {
  readonly image: ImageReference
  /** In the order they began. */
  fetches: string[]
  /** After the one that it began at. */
  otherAddresses: readonly string[]
  readonly address: string
  /** RFC 3339 UTC. */
  readonly begun: string
  readonly begunSeq: number
  latestSeq: number
  /** How many are under way. */
  underWay: number
  /** The lowest offset that was asked for. */
  lowest: number
  readonly delivered: Coverage
  /** Of those that ended. */
  readonly handedOver: Coverage
  bytesHandedOver: number
  /** One fetch alone delivered the whole image. */
  deliveredWhole: boolean
  /** Some asked for less than all up to the end, or came beside others. */
  inParts: boolean
  versionChanged: boolean
  /** What the client said itself that it holds, as far as it could by what had been handed over when it asked: `[0, end)`. */
  statedEnd: number
  /** The first of those statements, in order, and how many there were. */
  stated: readonly number[]
  statedTimes: number
  readonly durations: Durations
  /** What is to be said of the fetch that began last: every byte was handed over, and yet it was not delivered. */
  undelivered: string | null
  shared: boolean
  /** Parts of it were of the device that came to its network address next. */
  mixed: boolean
  /** Some bytes were handed over twice at the same time, whoever took them. */
  doubled: boolean
}

/** `reach`: how far from byte 0 on earlier fetches of this version have handed over. */
export function takeBegun(pull: PullEvidence, fetch: FetchRecord, reach: number): void {
  const { client, first, bytesPromised } = fetch
  // Pushed into an empty list, the first one would make room for seventeen, in every pull that is kept.
  if (pull.fetches.length === 0) pull.fetches = [fetch.id]
  else pull.fetches.push(fetch.id)
  if (client.address !== pull.address && !pull.otherAddresses.includes(client.address))
    pull.otherAddresses = [...pull.otherAddresses, client.address]
  pull.latestSeq = Math.max(pull.latestSeq, fetch.begunSeq)
  pull.underWay += 1
  pull.lowest = Math.min(pull.lowest, first)
  pull.inParts ||= fetch.beside > 0 || first + bytesPromised < pull.image.bytes
  pull.versionChanged ||= fetch.versionChanged
  pull.undelivered = null
  const offset = resumeOffset(fetch.range)
  // Answered with the whole image, a client drops what it holds: nothing was stated.
  if (offset !== undefined && fetch.status === 206 && first === offset) takeStatement(pull, offset, reach)
}

/**
 * `bytes=K-` says that the client holds `[0,K)`. It counts when an earlier fetch of this version had handed over at
 * least K bytes by then, or was lost track of.
 */
export function takeStatement(pull: PullEvidence, offset: number, reach: number): void {
  if (offset > reach) return
  pull.statedEnd = Math.max(pull.statedEnd, offset)
  pull.statedTimes += 1
  if (pull.stated.length < STATEMENTS_KEPT) pull.stated = [...pull.stated, offset]
}

export function takeEnded(pull: PullEvidence, fetch: FetchRecord): void {
  pull.underWay -= 1
  pull.latestSeq = Math.max(pull.latestSeq, fetch.endedSeq ?? 0)
  pull.bytesHandedOver += fetch.bytesHandedOver
  pull.handedOver.add(handedSpan(fetch))
  if (fetch.ending === 'delivered') {
    pull.delivered.add({ first: fetch.first, end: fetch.first + fetch.bytesPromised })
    pull.deliveredWhole ||= fetch.bytesPromised === pull.image.bytes
  }
  pull.durations.add(fetch)
  if (pull.fetches.at(-1) === fetch.id && fetch.ending === 'unconfirmed') {
    const so = fetch.acknowledged === true ? "the client's system acknowledged" : 'handed over'
    pull.undelivered = `${so} every byte, but ${fetch.reason ?? 'no normal close was seen'}`
  }
}

export function handedSpan({ first, ending, bytesPromised, bytesHandedOver }: FetchRecord): Span {
  // A client that said that it gives up holds less, although its system may have been given all.
  const lacking = ending === 'cut' && bytesHandedOver === bytesPromised ? 1 : 0
  return { first, end: first + bytesHandedOver - lacking }
}
