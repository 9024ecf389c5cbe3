/**
 * What is known of one pull, kept as its fetches begin and end: each costs as much as the one before, however many
 * there are.
 */
import type { ClientRef, ImageReference } from '../ledger/entries.ts'
import { Coverage, type Span } from './coverage.ts'
import { Durations } from './fetch-times.ts'
import { resumeOffset } from './range-header.ts'
import type { FetchRecord } from './records.ts'

const STATEMENTS_KEPT = 20
const NONE: never[] = []

/** Flat, and lists made only when there is something for them: of all that is read back, pulls are what stays in memory. */
export class PullEvidence {
  readonly image: ImageReference
  /** As it was when the pull began. */
  readonly client: ClientRef
  /** RFC 3339 UTC. */
  readonly begun: string
  readonly begunSeq: number
  latestSeq: number
  /** In the order they began. */
  fetches: string[] = NONE
  /** After the one that it began at. */
  otherAddresses: readonly string[] = NONE
  /** How many are under way. */
  underWay = 0
  /** The lowest offset that was asked for. */
  lowest: number
  readonly delivered = new Coverage()
  /** Of those that ended. */
  readonly handedOver = new Coverage()
  bytesHandedOver = 0
  /** One fetch alone delivered the whole image. */
  deliveredWhole = false
  /** Some asked for less than all up to the end, or came beside others. */
  inParts = false
  versionChanged = false
  /** What the client said itself that it holds, as far as it could by what had been handed over when it asked: `[0, end)`. */
  statedEnd = 0
  /** The first of those statements, in order, and how many there were. */
  stated: readonly number[] = NONE
  statedTimes = 0
  readonly durations = new Durations()
  /** What is to be said of the fetch that began last: every byte was handed over, and yet it was not delivered. */
  undelivered: string | null = null
  shared = false
  /** Parts of it were of the device that came to its network address next. */
  mixed = false
  /** Some bytes were handed over twice at the same time, whoever took them. */
  doubled = false

  /** Of its first fetch, which is still to be taken. */
  constructor({ client, begun, begunSeq, first }: FetchRecord, image: ImageReference) {
    this.image = image
    this.client = client
    this.begun = begun
    this.begunSeq = begunSeq
    this.latestSeq = begunSeq
    this.lowest = first
  }

  /** `reach`: how far from byte 0 on earlier fetches of this version have handed over. */
  takeBegun(fetch: FetchRecord, reach: number): void {
    const { first, bytesPromised } = fetch
    const { address } = fetch.client
    // Pushed into an empty list, the first one would make room for seventeen, in every pull that is kept.
    if (this.fetches.length === 0) this.fetches = [fetch.id]
    else this.fetches.push(fetch.id)
    if (address !== this.client.address && !this.otherAddresses.includes(address))
      this.otherAddresses = [...this.otherAddresses, address]
    this.latestSeq = Math.max(this.latestSeq, fetch.begunSeq)
    this.underWay += 1
    this.lowest = Math.min(this.lowest, first)
    this.inParts ||= fetch.beside > 0 || first + bytesPromised < this.image.bytes
    this.versionChanged ||= fetch.versionChanged
    this.undelivered = null
    const offset = resumeOffset(fetch.range)
    // Answered with the whole image, a client drops what it holds: nothing was stated.
    if (offset !== undefined && fetch.status === 206 && first === offset) this.takeStatement(offset, reach)
  }

  /**
   * `bytes=K-` says that the client holds `[0,K)`. It counts when an earlier fetch of this version had handed over at
   * least K bytes by then, or was lost track of.
   */
  takeStatement(offset: number, reach: number): void {
    if (offset > reach) return
    this.statedEnd = Math.max(this.statedEnd, offset)
    this.statedTimes += 1
    if (this.stated.length < STATEMENTS_KEPT) this.stated = [...this.stated, offset]
  }

  takeEnded(fetch: FetchRecord): void {
    this.underWay -= 1
    this.latestSeq = Math.max(this.latestSeq, fetch.endedSeq ?? 0)
    this.bytesHandedOver += fetch.bytesHandedOver
    this.handedOver.add(handedSpan(fetch))
    if (fetch.ending === 'delivered') {
      this.delivered.add({ first: fetch.first, end: fetch.first + fetch.bytesPromised })
      this.deliveredWhole ||= fetch.bytesPromised === this.image.bytes
    }
    this.durations.add(fetch)
    if (this.fetches.at(-1) === fetch.id && fetch.ending === 'unconfirmed') {
      const so = fetch.acknowledged === true ? "the client's system acknowledged" : 'handed over'
      this.undelivered = `${so} every byte, but ${fetch.reason ?? 'no normal close was seen'}`
    }
  }
}

export function handedSpan({ first, ending, bytesPromised, bytesHandedOver }: FetchRecord): Span {
  // A client that said that it gives up holds less, although its system may have been given all.
  const lacking = ending === 'cut' && bytesHandedOver === bytesPromised ? 1 : 0
  return { first, end: first + bytesHandedOver - lacking }
}
