/** The fetches under way: their places, stalls, and who moves beside whom. */
import { EventEmitter } from 'node:events'
import type { ClientRef, ImageReference } from '../ledger/entries.ts'
import type { RunningFetch } from './fetch.ts'
import { createPlaces, type FetchLimits, type Place } from './places.ts'

export interface UnderWay {
  readonly id: number
  readonly client: ClientRef
  readonly image: ImageReference
  readonly first: number
  readonly promised: number
  readonly rehearsal: boolean
  readonly fetch: RunningFetch
}

export type FetchesUnderWay = ReturnType<typeof createFetchesUnderWay>

const SWEEP_MS = 250

interface FetchesUnderWayDeps {
  /** Monotonic, in ms. */
  readonly clock: () => number
  /** When this program last went on after standing still: while it did, no fetch could move. */
  readonly wokeAt: () => number
  /** Identity that pulls are gathered under. Asked anew each time: a hardware address may become known in between. */
  readonly clientKey: (client: ClientRef) => string
  /** Whether it is a device of the visit. */
  readonly isPlanned: (client: ClientRef) => boolean
}

export function createFetchesUnderWay(
  limits: FetchLimits,
  { clock, wokeAt, clientKey, isPlanned }: FetchesUnderWayDeps,
) {
  // Long: one list of fetches; each function is a change of it or a question to it.
  const open = new Map<number, { readonly fetch: UnderWay; readonly place: Place }>()
  const events = new EventEmitter<{ changed: [] }>()
  let sweeping: NodeJS.Timeout | undefined

  const stillFor = (fetch: RunningFetch): number => clock() - Math.max(fetch.movedAt, wokeAt())
  const isStalled = (fetch: RunningFetch): boolean => fetch.sending && stillFor(fetch) >= limits.stalledMs
  const places = createPlaces(limits, { clock, stillMs: stillFor })
  const list = (): UnderWay[] => Array.from(open.values(), ({ fetch }) => fetch)

  /** Fetches of one client and version. */
  function alike(client: ClientRef, sha256: string): UnderWay[] {
    const key = clientKey(client)
    return list().filter((fetch) => fetch.image.sha256 === sha256 && clientKey(fetch.client) === key)
  }

  function giveUpStill(): void {
    for (const { fetch } of list()) if (fetch.sending && stillFor(fetch) >= limits.pauseMs) fetch.giveUp()
  }

  return {
    /** A place for one more fetch of this client, from now on. */
    takePlace: (client: ClientRef) => places.take(client.address, isPlanned(client)),
    get waiting() {
      return places.waiting
    },
    add(fetch: UnderWay, place: Place): void {
      open.set(fetch.id, { fetch, place })
      place.sends(fetch.fetch)
      sweeping ??= setInterval(giveUpStill, SWEEP_MS)
      sweeping.unref()
      events.emit('changed')
    },
    /** It has handed over everything. */
    handedOver: (id: number): void => open.get(id)?.place.waits(),
    remove(id: number): void {
      open.get(id)?.place.leave()
      open.delete(id)
      if (open.size === 0) {
        clearInterval(sweeping)
        sweeping = undefined
      }
      events.emit('changed')
    },
    list,
    /** How many other fetches of this client and version moved within `stalledMs`. */
    moving: (client: ClientRef, sha256: string): number =>
      alike(client, sha256).filter(({ fetch }) => fetch.sending && !isStalled(fetch)).length,
    /** The client goes on from byte K on a new connection: its stalled one, if that explains K, is given up. */
    supersede(client: ClientRef, sha256: string, resumesAt: number): void {
      for (const { first, fetch } of alike(client, sha256)) {
        const explains = first < resumesAt && first + fetch.bytesHandedOver >= resumesAt
        if (!explains || stillFor(fetch) < limits.stalledMs) continue
        if (fetch.sending) fetch.withdraw(`the client went on from byte ${resumesAt} on a new connection`)
        else fetch.giveUp()
      }
    },
    isStalled: ({ fetch }: UnderWay): boolean => isStalled(fetch),
    /** For how long it has not moved; not counted while the program itself stood still. */
    stillMs: ({ fetch }: UnderWay): number => stillFor(fetch),
    withdraw(which: (fetch: UnderWay) => boolean, why: string): void {
      for (const { fetch } of list().filter(which)) fetch.withdraw(why)
    },
    /** Calls once, when the next fetch has begun or ended. */
    onceChanged: (listener: () => void): void => void events.once('changed', listener),
  }
}
