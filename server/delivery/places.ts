/**
 * Places for fetches that send: how many at once, and shared fairly among clients when all are taken. Taking one costs
 * the same however many fetches are open, so that a flood of requests does not delay those that are answered.
 * A fetch that has handed over everything and waits for its client to close takes no place of those that send; how many
 * may wait is bounded too, since each holds a connection for as long as its client likes.
 */
import { FetchproofError } from '../errors.ts'
import { clientGroup } from '../network/addresses.ts'
import type { Settings } from '../settings.ts'
import type { RunningFetch } from './fetch.ts'

export type FetchLimits = Pick<Settings, 'maxFetches' | 'maxFetchesPerClient' | 'stalledMs' | 'pauseMs'>

/** Taken before the file is opened. */
export interface Place {
  sends(fetch: RunningFetch): void
  /** Everything is handed over: only the client's close is waited for. */
  waits(): void
  leave(): void
}

export type Places = ReturnType<typeof createPlaces>

interface Group {
  /** A device of the visit has a place in it: none of its fetches makes room for a stranger's. */
  isPlanned: boolean
  readonly sending: Set<RunningFetch>
  readonly waiting: Set<RunningFetch>
  /** They have a place, and their file is being opened. */
  opening: number
}

/** Waiting for their client to close, for each that may send. */
const WAITING_PER_PLACE = 4
const SECOND_MS = 1_000
/** Before a fetch makes room of which nobody may have read a byte; as long again for each time that it went on. */
const UNREAD_MS = 250

interface PlacesDeps {
  /** Monotonic, in ms. */
  readonly clock: () => number
  /** For how long it has not moved. */
  readonly stillMs: (fetch: RunningFetch) => number
}

export function createPlaces(limits: FetchLimits, { clock, stillMs }: PlacesDeps) {
  // Long: one count of places, which all of its functions keep.
  const groups = new Map<string, Group>()
  const all = { opening: 0, sending: 0, waiting: 0 }
  /** How many gave way to each client in the second that began at `countedFrom`. */
  const evictions = new Map<string, number>()
  let countedFrom = clock()

  function groupOf(key: string): Group {
    const there = groups.get(key)
    if (there !== undefined) return there
    const fresh = { sending: new Set<never>(), waiting: new Set<never>() }
    const group: Group = { ...fresh, isPlanned: false, opening: 0 }
    groups.set(key, group)
    return group
  }

  function occupy(key: string, isPlanned: boolean): Place {
    const group = groupOf(key)
    if (isPlanned) group.isPlanned = true
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

  function largest(of: 'sending' | 'waiting'): Group | undefined {
    let most: Group | undefined
    for (const group of groups.values()) if (group[of].size > (most?.[of].size ?? 0)) most = group
    return most
  }

  /** Of those that wait for their client to close, the longest of the client that has most. */
  function boundWaiting(): void {
    if (all.waiting <= limits.maxFetches * WAITING_PER_PLACE) return
    leastBy(largest('waiting')?.waiting ?? [], (fetch) => fetch.movedAt)?.giveUp()
  }

  function hasRested(fetch: RunningFetch): boolean {
    return stillMs(fetch) >= Math.min(limits.stalledMs, UNREAD_MS * (1 + fetch.wentOn))
  }

  function longestStill(isOf: (group: Group) => boolean): RunningFetch | undefined {
    let longest: RunningFetch | undefined
    for (const group of groups.values()) {
      if (!isOf(group)) continue
      for (const fetch of group.sending)
        if (fetch.movedAt < (longest?.movedAt ?? Infinity) && hasRested(fetch)) longest = fetch
    }
    return longest
  }

  /**
   * For a client that has `own` fetches: of one with too many, else of strangers, and for a device of the visit of its
   * like the one that has stood still the longest. One that trickles never rests, so a greedy client gives way too.
   */
  function makeRoom(own: number, isPlanned: boolean): boolean {
    const most = largest('sending')
    const count = most?.sending.size ?? 0
    const isGreedy = count > Math.max(limits.maxFetchesPerClient, own + 1)
    const still =
      (isGreedy ? longestStill((group) => group === most) : undefined) ??
      longestStill((group) => !group.isPlanned) ??
      (isPlanned ? longestStill((group) => group.isPlanned) : undefined)
    if (still !== undefined) {
      still.withdraw('all places were taken and this fetch had stood still the longest')
      return true
    }
    if (!isGreedy) return false
    const why = `all places were taken, ${count} of them by this client, and another asked`
    leastBy(most?.sending ?? [], (fetch) => fetch.bytesHandedOver)?.withdraw(why)
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
    /**
     * A place for one more fetch of this client. Only when all are taken does a cap a client matter. `isPlanned`: it is a
     * device of the visit. Throws FP_BUSY.
     */
    take(address: string, isPlanned: boolean): Place {
      const key = clientGroup(address)
      if (all.sending + all.opening >= limits.maxFetches) {
        const group = groups.get(key)
        const own = group === undefined ? 0 : group.sending.size + group.opening
        if (own >= limits.maxFetchesPerClient)
          throw busy(`this client already has ${own} fetches and all places are taken`)
        if (!mayEvict(key) || !makeRoom(own, isPlanned))
          throw busy(`all ${limits.maxFetches} places are taken (--max-fetches)`)
        evictions.set(key, (evictions.get(key) ?? 0) + 1)
      }
      return occupy(key, isPlanned)
    },
    /** Fetches that wait for their client to close. */
    get waiting(): number {
      return all.waiting
    },
  }
}

function busy(why: string): FetchproofError {
  return new FetchproofError('FP_BUSY', { why })
}

function isEmpty({ sending, waiting, opening }: Group): boolean {
  return opening === 0 && sending.size === 0 && waiting.size === 0
}

function leastBy<T>(items: Iterable<T>, value: (item: T) => number): T | undefined {
  let least: T | undefined
  for (const item of items) if (least === undefined || value(item) < value(least)) least = item
  return least
}
