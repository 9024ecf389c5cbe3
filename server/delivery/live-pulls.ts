/** Pulls as they stand this moment: what the entries say, plus how far the fetches under way have come. */
import type { PullRecords } from './pulls.ts'
import type { PullRecord } from './records.ts'
import type { FetchesUnderWay, UnderWay } from './under-way.ts'

type Movement = 'moving' | 'stalled' | 'waiting for the device to close'

export interface LivePull extends PullRecord {
  /** Absent while nothing is sent: its fetch is just beginning or ending. */
  readonly movement?: Movement
  /** Bytes covered, plus what the fetches under way have handed over; at most the image's. */
  readonly bytesNow: number
  readonly rateNow?: number
  readonly secondsLeft?: number
  /** RFC 3339 UTC: since when nothing moves; of a stalled one. The same until it moves. */
  readonly stalledSince?: string
}

/**
 * The pulls with something under way, in the order they began: what is over costs nothing here, however much that
 * is. Asked for at most a few times a second; rates are taken from one asking to the next.
 */
export function createLivePulls(
  records: Pick<PullRecords, 'pullOf' | 'fetchesUnderWay'>,
  underWay: FetchesUnderWay,
  clock: () => number,
  now: () => number = Date.now,
): () => readonly LivePull[] {
  const rates = createRates(clock)
  /** By first fetch: told again each time, it would be a millisecond earlier or later. */
  let stalls = new Map<string, string>()
  /** By first fetch: how far it had come when its end was not yet on record. */
  let lastSeen = new Map<string | undefined, number>()
  return () => {
    const running = new Map(underWay.list().map((fetch) => [String(fetch.id), fetch]))
    rates.keep(new Set(running.keys()))
    const ids = new Set([...records.fetchesUnderWay().map(({ id }) => id), ...running.keys()])
    const pulls = new Set([...ids].flatMap((id) => records.pullOf(id) ?? []))
    const before = stalls
    stalls = new Map()
    const shown = [...pulls]
      .sort((a, b) => Number(a.fetches[0]) - Number(b.fetches[0]))
      .map((pull) => {
        const fetches = pull.fetches.flatMap((id) => running.get(id) ?? [])
        const last = lastSeen.get(pull.fetches[0]) ?? 0
        if (fetches.length === 0) return { ...pull, bytesNow: Math.max(pull.bytesCovered, last) }
        const moved = live(pull, fetches)
        return moved.movement === 'stalled'
          ? { ...moved, stalledSince: since(moved, fetches, before) }
          : moved
      })
    lastSeen = new Map(shown.map(({ fetches, bytesNow }) => [fetches[0], bytesNow]))
    return shown
  }

  function since(pull: PullRecord, fetches: readonly UnderWay[], known: ReadonlyMap<string, string>): string {
    const key = `${pull.fetches[0]} ${fetches.map(({ fetch }) => fetch.movedAt).join()}`
    const stillMs = Math.min(...fetches.map(underWay.stillMs))
    const at = known.get(key) ?? new Date(now() - stillMs).toISOString()
    stalls.set(key, at)
    return at
  }

  function live(pull: PullRecord, fetches: readonly UnderWay[]): LivePull {
    const handed = fetches.reduce((sum, { fetch }) => sum + fetch.bytesHandedOver, 0)
    const bytesNow = Math.min(pull.image.bytes, pull.bytesCovered + handed)
    const sampled = fetches.map((under) => rates.sample(String(under.id), under.fetch.bytesHandedOver))
    const movement = movementOf(fetches)
    const known = sampled.filter((rate) => rate !== undefined)
    if (known.length === 0 || movement !== 'moving') return { ...pull, movement, bytesNow }
    const rateNow = known.reduce((sum, rate) => sum + rate, 0)
    const left = pull.image.bytes - bytesNow
    return { ...pull, movement, bytesNow, rateNow, ...(rateNow > 0 && { secondsLeft: left / rateNow }) }
  }

  function movementOf(fetches: readonly UnderWay[]): Movement {
    const sending = fetches.filter(({ fetch }) => fetch.sending)
    if (sending.length === 0) return 'waiting for the device to close'
    return sending.every(underWay.isStalled) ? 'stalled' : 'moving'
  }
}

const WINDOW_MS = 5_000
const SHORTEST_MS = 400

/** How fast fetches move now: bytes a second over a short window of samples. */
function createRates(clock: () => number) {
  const samples = new Map<string, { at: number; bytes: number }[]>()
  return {
    /** Notes how far `id` is and returns its rate in bytes a second, or undefined while too little was seen. */
    sample(id: string, bytes: number): number | undefined {
      const now = clock()
      const own = samples.get(id) ?? []
      samples.set(id, own)
      own.push({ at: now, bytes })
      while (own.length > 2 && now - (own[1]?.at ?? now) > WINDOW_MS) own.shift()
      const oldest = own[0]
      if (oldest === undefined || now - oldest.at < SHORTEST_MS) return undefined
      return Math.max(0, ((bytes - oldest.bytes) * 1000) / (now - oldest.at))
    },
    /** Forgets all but these. */
    keep(ids: ReadonlySet<string>): void {
      for (const id of samples.keys()) if (!ids.has(id)) samples.delete(id)
    },
  }
}
