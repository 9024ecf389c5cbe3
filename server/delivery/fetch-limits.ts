/**
 * Places for fetches that send: how many at once, and shared fairly among clients when all are taken. Admission costs
 * the same however many fetches are open, so that a flood of requests does not delay those that are answered.
 * A fetch that has handed over everything and waits for its client to close takes no place of those that send; how many
 * may wait is bounded too, since each holds a connection for as long as its client likes.
 */
import { clientGroup } from '../network/client-group.ts'
import type { RunningFetch } from './fetch.ts'

export interface FetchLimits {
  readonly maxFetches: number
  readonly maxFetchesPerClient: number
  readonly stalledMs: number
  readonly pauseMs: number
}

/** Taken from admission on, while the file is being opened. */
export interface Place {
  sends(fetch: RunningFetch): void
  /** Everything is handed over: only the client's close is waited for. */
  waits(): void
  leave(): void
}

type Admission =
  | { readonly admitted: true; readonly place: Place }
  | { readonly admitted: false; readonly reason: string }

export type Places = ReturnType<typeof createPlaces>

interface Group {
  readonly sending: Set<RunningFetch>
  readonly waiting: Set<RunningFetch>
  /** Admitted, and their file is being opened. */
  opening: number
}

/** Waiting for their client to close, for each that may send. */
const WAITING_PER_PLACE = 4
const SECOND_MS = 1_000

interface PlacesDeps {
  /** Monotonic, in ms. */
  readonly clock: () => number
  readonly isStalled: (fetch: RunningFetch) => boolean
}

export function createPlaces(limits: FetchLimits, { clock, isStalled }: PlacesDeps) {
  const groups = new Map<string, Group>()
  const all = { opening: 0, sending: 0, waiting: 0 }
  /** How many gave way to each client in the second that began at `countedFrom`. */
  const evictions = new Map<string, number>()
  let countedFrom = clock()

  function groupOf(key: string): Group {
    const there = groups.get(key)
    if (there !== undefined) return there
    const fresh = { sending: new Set<never>(), waiting: new Set<never>() }
    const group: Group = { ...fresh, opening: 0 }
    groups.set(key, group)
    return group
  }

  function take(key: string, group: Group): Place {
    let fetch: RunningFetch | undefined
    let at: keyof typeof all | undefined = 'opening'
    group.opening += 1
    all.opening += 1
    const move = (to: keyof typeof all | undefined): void => {
      if (at === undefined) return
      all[at] -= 1
      if (at === 'opening') group.opening -= 1
      else if (fetch !== undefined) group[at].delete(fetch)
      at = to
      if (to !== undefined) all[to] += 1
      if (to !== undefined && to !== 'opening' && fetch !== undefined) group[to].add(fetch)
      if (isEmpty(group)) groups.delete(key)
    }
    return {
      sends(running) {
        fetch = running
        move('sending')
      },
      waits() {
        move('waiting')
        boundWaiting()
      },
      leave: () => move(undefined),
    }
  }

  function largest(of: 'sending' | 'waiting'): ReadonlySet<RunningFetch> {
    let most: ReadonlySet<RunningFetch> = new Set()
    for (const group of groups.values()) if (group[of].size > most.size) most = group[of]
    return most
  }

  /** Of those that wait for their client to close, the longest of the client that has most. */
  function boundWaiting(): void {
    if (all.waiting <= limits.maxFetches * WAITING_PER_PLACE) return
    leastBy(largest('waiting'), (fetch) => fetch.movedAt)?.giveUp()
  }

  function longestStalled(): RunningFetch | undefined {
    const stalled: RunningFetch[] = []
    for (const group of groups.values())
      for (const fetch of group.sending) if (isStalled(fetch)) stalled.push(fetch)
    return leastBy(stalled, (fetch) => fetch.movedAt)
  }

  /** For a client that has `own` fetches. One that trickles never stalls, so a greedy client gives way too. */
  function makeRoom(own: number): boolean {
    const longest = longestStalled()
    if (longest !== undefined) {
      longest.withdraw('all places were taken and this fetch had stalled the longest')
      return true
    }
    const greediest = largest('sending')
    const count = greediest.size
    if (count <= Math.max(limits.maxFetchesPerClient, own + 1)) return false
    const why = `all places were taken, ${count} of them by this client, and another asked`
    leastBy(greediest, (fetch) => fetch.bytesHandedOver)?.withdraw(why)
    return true
  }

  /** Nobody gives way to a client faster than it may have fetches: a flood would end more than it begins. */
  function mayEvict(key: string): boolean {
    if (clock() - countedFrom >= SECOND_MS) {
      countedFrom = clock()
      evictions.clear()
    }
    return (evictions.get(key) ?? 0) < limits.maxFetchesPerClient
  }

  return {
    /** May one more fetch of this client begin? Only when all places are taken does a cap a client matter. */
    admit(address: string): Admission {
      const key = clientGroup(address)
      const group = groups.get(key)
      if (all.sending + all.opening < limits.maxFetches) {
        return { admitted: true, place: take(key, groupOf(key)) }
      }
      const own = group === undefined ? 0 : group.sending.size + group.opening
      if (own >= limits.maxFetchesPerClient) {
        return { admitted: false, reason: `this client already has ${own} fetches and all places are taken` }
      }
      if (mayEvict(key) && makeRoom(own)) {
        evictions.set(key, (evictions.get(key) ?? 0) + 1)
        return { admitted: true, place: take(key, groupOf(key)) }
      }
      return { admitted: false, reason: `all ${limits.maxFetches} places are taken (--max-fetches)` }
    },
    /** Fetches that wait for their client to close. */
    get waiting(): number {
      return all.waiting
    },
  }
}

function isEmpty({ sending, waiting, opening }: Group): boolean {
  return opening === 0 && sending.size === 0 && waiting.size === 0
}

function leastBy<T>(items: Iterable<T>, value: (item: T) => number): T | undefined {
  let least: T | undefined
  for (const item of items) if (least === undefined || value(item) < value(least)) least = item
  return least
}
