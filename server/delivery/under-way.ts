/**
 * The fetches under way: limits, stalls, and who moves beside whom. A fetch that has handed over everything and
 * waits for its client to close counts against no limit of those that send; how many may wait is bounded too, since
 * each holds a connection for as long as its client likes.
 */
import ipaddr from 'ipaddr.js'
import type { ImageReference } from '../ledger/entries.ts'
import type { RunningFetch } from './fetch.ts'

export interface UnderWay {
  readonly id: number
  /** Identity that pulls are gathered under (hardware address where known). */
  readonly clientKey: string
  readonly address: string
  readonly image: ImageReference
  readonly first: number
  readonly promised: number
  readonly rehearsal: boolean
  readonly fetch: RunningFetch
}

export interface FetchLimits {
  readonly maxFetches: number
  readonly maxFetchesPerClient: number
  readonly stalledMs: number
  readonly pauseMs: number
}

export type Admission = { readonly admitted: true } | { readonly admitted: false; readonly reason: string }

export interface FetchesUnderWay {
  add(fetch: UnderWay): void
  remove(id: number): void
  list(): readonly UnderWay[]
  /** May one more fetch of this client begin? Only when all places are taken does a cap a client matter. */
  admit(address: string): Admission
  /** How many other fetches of this client and version moved within `stalledMs`. */
  moving(clientKey: string, sha256: string): number
  /** The client goes on from byte K on a new connection: its stalled one, if that explains K, is given up. */
  supersede(clientKey: string, sha256: string, resumesAt: number): void
  isStalled(fetch: UnderWay): boolean
  withdraw(which: (fetch: UnderWay) => boolean, why: string): void
  /** Calls once, when the next fetch has begun or ended. */
  onceChanged(listener: () => void): void
  close(): void
}

const SWEEP_MS = 250
/** Waiting for their client to close, for each that may send. */
const WAITING_PER_PLACE = 4

/**
 * `clock` is monotonic, in ms. `wokeAt`: when this program last went on after standing still: while it did, no
 * fetch could move.
 */
export function createFetchesUnderWay(
  limits: FetchLimits,
  clock: () => number,
  wokeAt: () => number = () => Number.NEGATIVE_INFINITY,
): FetchesUnderWay {
  const open = new Map<number, UnderWay>()
  let waiting: (() => void)[] = []
  let sweeping: NodeJS.Timeout | undefined

  const stillFor = (fetch: UnderWay): number => clock() - Math.max(fetch.fetch.movedAt, wokeAt())
  const sending = (fetch: UnderWay): boolean => fetch.fetch.sending
  const isStalled = (fetch: UnderWay): boolean => sending(fetch) && stillFor(fetch) >= limits.stalledMs

  function wake(): void {
    const woken = waiting
    waiting = []
    for (const listener of woken) listener()
  }

  function giveUpStill(): void {
    for (const fetch of [...open.values()]) {
      if (sending(fetch) && stillFor(fetch) >= limits.pauseMs) fetch.fetch.giveUp()
    }
  }

  /** For a client that has `own` fetches. One that trickles never stalls, so a greedy client gives way too. */
  function makeRoom(counted: readonly UnderWay[], own: number): boolean {
    const longest = counted.filter(isStalled).sort((a, b) => a.fetch.movedAt - b.fetch.movedAt)[0]
    if (longest !== undefined) {
      longest.fetch.withdraw('all places were taken and this fetch had stalled the longest')
      return true
    }
    const greediest = largestGroup(counted)
    if (greediest.length <= Math.max(limits.maxFetchesPerClient, own + 1)) return false
    const least = greediest.reduce((a, b) => (b.fetch.bytesHandedOver < a.fetch.bytesHandedOver ? b : a))
    least.fetch.withdraw(
      `all places were taken, ${greediest.length} of them by this client, and another asked`,
    )
    return true
  }

  /** Of those that wait for their client to close, the longest of the client that has most. */
  function boundWaiting(): void {
    const waits = [...open.values()].filter((fetch) => !sending(fetch))
    if (waits.length <= limits.maxFetches * WAITING_PER_PLACE) return
    const most = largestGroup(waits)
    most.reduce((a, b) => (b.fetch.movedAt < a.fetch.movedAt ? b : a)).fetch.giveUp()
  }

  return {
    add(fetch) {
      open.set(fetch.id, fetch)
      sweeping ??= setInterval(giveUpStill, SWEEP_MS)
      sweeping.unref()
      boundWaiting()
      wake()
    },
    remove(id) {
      open.delete(id)
      if (open.size === 0) {
        clearInterval(sweeping)
        sweeping = undefined
      }
      wake()
    },
    list: () => [...open.values()],
    admit(address) {
      const counted = [...open.values()].filter(sending)
      if (counted.length < limits.maxFetches) return { admitted: true }
      const group = clientGroup(address)
      const own = counted.filter((fetch) => clientGroup(fetch.address) === group).length
      if (own >= limits.maxFetchesPerClient) {
        return { admitted: false, reason: `this client already has ${own} fetches and all places are taken` }
      }
      if (makeRoom(counted, own)) return { admitted: true }
      return { admitted: false, reason: `all ${limits.maxFetches} places are taken (--max-fetches)` }
    },
    moving: (clientKey, sha256) =>
      [...open.values()].filter(
        (fetch) =>
          fetch.clientKey === clientKey &&
          fetch.image.sha256 === sha256 &&
          sending(fetch) &&
          !isStalled(fetch),
      ).length,
    supersede(clientKey, sha256, resumesAt) {
      for (const fetch of [...open.values()]) {
        if (fetch.clientKey !== clientKey || fetch.image.sha256 !== sha256) continue
        const explains = fetch.first < resumesAt && fetch.first + fetch.fetch.bytesHandedOver >= resumesAt
        if (!explains || stillFor(fetch) < limits.stalledMs) continue
        if (sending(fetch)) {
          fetch.fetch.withdraw(`the client went on from byte ${resumesAt} on a new connection`)
        } else {
          fetch.fetch.giveUp()
        }
      }
    },
    isStalled,
    withdraw(which, why) {
      for (const fetch of [...open.values()].filter(which)) fetch.fetch.withdraw(why)
    },
    onceChanged(listener) {
      waiting.push(listener)
    },
    close() {
      clearInterval(sweeping)
      sweeping = undefined
    },
  }
}

function largestGroup(fetches: readonly UnderWay[]): readonly UnderWay[] {
  const groups = new Map<string, UnderWay[]>()
  for (const fetch of fetches) {
    const group = clientGroup(fetch.address)
    const others = groups.get(group)
    if (others === undefined) groups.set(group, [fetch])
    else others.push(fetch)
  }
  return [...groups.values()].reduce((a, b) => (b.length > a.length ? b : a), [])
}

/** One client for the limits: an IPv4 address, or an IPv6 /64, which one machine may fill by itself. */
export function clientGroup(address: string): string {
  if (!ipaddr.isValid(address)) return address
  const parsed = ipaddr.process(address)
  if (parsed.kind() === 'ipv4') return parsed.toString()
  return `${parsed.toByteArray().slice(0, 8).join('.')}/64`
}
