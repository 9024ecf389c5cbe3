/**
 * The fetches under way: limits, stalls, and who moves beside whom. A fetch that has handed over everything and
 * waits for its client to close counts against no limit of those that send; how many may wait is bounded too, since
 * each holds a connection for as long as its client likes.
 */
import type { ClientRef, ImageReference } from '../ledger/entries.ts'
import { clientGroup } from '../network/client-group.ts'
import type { RunningFetch } from './fetch.ts'

export interface UnderWay {
  readonly id: number
  readonly client: ClientRef
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

export type Admission =
  /** The place is taken from now on; `leave` once the fetch has been added, or will not be. */
  { readonly admitted: true; leave(): void } | { readonly admitted: false; readonly reason: string }

export interface FetchesUnderWay {
  add(fetch: UnderWay): void
  remove(id: number): void
  list(): readonly UnderWay[]
  /** May one more fetch of this client begin? Only when all places are taken does a cap a client matter. */
  admit(address: string): Admission
  /** How many other fetches of this client and version moved within `stalledMs`. */
  moving(client: ClientRef, sha256: string): number
  /** The client goes on from byte K on a new connection: its stalled one, if that explains K, is given up. */
  supersede(client: ClientRef, sha256: string, resumesAt: number): void
  isStalled(fetch: UnderWay): boolean
  /** For how long it has not moved; not counted while the program itself stood still. */
  stillMs(fetch: UnderWay): number
  withdraw(which: (fetch: UnderWay) => boolean, why: string): void
  /** Calls once, when the next fetch has begun or ended. */
  onceChanged(listener: () => void): void
  close(): void
}

const SWEEP_MS = 250
/** Waiting for their client to close, for each that may send. */
const WAITING_PER_PLACE = 4

export interface FetchesUnderWayDeps {
  /** Monotonic, in ms. */
  readonly clock: () => number
  /** When this program last went on after standing still: while it did, no fetch could move. */
  readonly wokeAt: () => number
  /** Identity that pulls are gathered under. Asked anew each time: a hardware address may become known in between. */
  readonly clientKey: (client: ClientRef) => string
}

export function createFetchesUnderWay(
  limits: FetchLimits,
  { clock, wokeAt, clientKey }: FetchesUnderWayDeps,
): FetchesUnderWay {
  const open = new Map<number, UnderWay>()
  /** Admitted and not yet added: their file is being opened. */
  const coming = new Set<{ readonly client: { readonly address: string } }>()
  let waiting: (() => void)[] = []
  let sweeping: NodeJS.Timeout | undefined

  const stillFor = (fetch: UnderWay): number => clock() - Math.max(fetch.fetch.movedAt, wokeAt())
  const sending = (fetch: UnderWay): boolean => fetch.fetch.sending
  const isStalled = (fetch: UnderWay): boolean => sending(fetch) && stillFor(fetch) >= limits.stalledMs

  /** Fetches of one client and version. */
  function alike(client: ClientRef, sha256: string): UnderWay[] {
    const key = clientKey(client)
    return [...open.values()].filter(
      (fetch) => fetch.image.sha256 === sha256 && clientKey(fetch.client) === key,
    )
  }

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

  function take(address: string): Admission {
    const place = { client: { address } }
    coming.add(place)
    return { admitted: true, leave: () => void coming.delete(place) }
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
      if (counted.length + coming.size < limits.maxFetches) return take(address)
      const group = clientGroup(address)
      const own = [...counted, ...coming].filter((each) => clientGroup(each.client.address) === group).length
      if (own >= limits.maxFetchesPerClient) {
        return { admitted: false, reason: `this client already has ${own} fetches and all places are taken` }
      }
      if (makeRoom(counted, own)) return take(address)
      return { admitted: false, reason: `all ${limits.maxFetches} places are taken (--max-fetches)` }
    },
    moving: (client, sha256) =>
      alike(client, sha256).filter((fetch) => sending(fetch) && !isStalled(fetch)).length,
    supersede(client, sha256, resumesAt) {
      for (const fetch of alike(client, sha256)) {
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
    stillMs: stillFor,
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
    const group = clientGroup(fetch.client.address)
    const others = groups.get(group)
    if (others === undefined) groups.set(group, [fetch])
    else others.push(fetch)
  }
  return [...groups.values()].reduce((a, b) => (b.length > a.length ? b : a), [])
}
