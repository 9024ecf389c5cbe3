/**
 * When fetches were moving, compared with each other. Within one run by a clock that only goes forward: the wall
 * clock may be set meanwhile, and two fetches one after the other would look as if they had run side by side.
 */
import type { FetchRecord } from './records.ts'

type Timed = Pick<
  FetchRecord,
  'run' | 'upMs' | 'begun' | 'ended' | 'lastByteMs' | 'acknowledgedMs' | 'durationMs' | 'bytesHandedOver'
>

/** Beginnings of these fetches in ms, all by the same clock: the run's own where that knows them all. */
export function beginnings(fetches: readonly Timed[]): number[] {
  const [first] = fetches
  const own = fetches.flatMap(({ run, upMs }) => (upMs === null || run !== first?.run ? [] : [upMs]))
  return own.length === fetches.length ? own : fetches.map(({ begun }) => Date.parse(begun))
}

/** Whether there was a moment at which both were handing over bytes. Waiting for the client to close does not count. */
export function movedAtOnce(a: Timed, b: Timed): boolean {
  const [beganA = 0, beganB = 0] = beginnings([a, b])
  return Math.max(beganA, beganB) < Math.min(beganA + transferMs(a), beganB + transferMs(b))
}

/** Until the last byte was handed over: how long the device then takes to close is its own affair. */
export function transferMs(fetch: Timed): number {
  return fetch.lastByteMs ?? fetch.durationMs ?? 0
}

/** The system takes bytes ahead of the network, some MiB (measured: 2): this many are as good as sent. */
const MUCH_AHEAD_BYTES = 16 * 1024 * 1024

/**
 * How long the bytes took on their way, for rates: until the system was seen to have them acknowledged. Where that is
 * not known, until the last byte was handed over; of a small image all is handed over at once, which says nothing of
 * the network, and so its client's close counts.
 */
export function pacedMs(fetch: Timed): number {
  const handed = fetch.bytesHandedOver >= MUCH_AHEAD_BYTES ? fetch.lastByteMs : null
  return fetch.acknowledgedMs ?? handed ?? fetch.durationMs ?? 0
}

/**
 * From the first beginning to the last byte in seconds, never negative, and when the last of them ended. All have
 * ended.
 */
export function overAll(fetches: readonly Timed[]): {
  readonly seconds: number
  readonly ended: string | null
} {
  const [only, second] = fetches
  if (only !== undefined && second === undefined) {
    return { seconds: Math.round(pacedMs(only)) / 1000, ended: only.ended }
  }
  const began = beginnings(fetches)
  let ended: string | null = null
  let earliest = Number.POSITIVE_INFINITY
  let latest = Number.NEGATIVE_INFINITY
  let lastByte = Number.NEGATIVE_INFINITY
  for (const [at, fetch] of fetches.entries()) {
    const begin = began[at] ?? 0
    const end = begin + (fetch.durationMs ?? 0)
    earliest = Math.min(earliest, begin)
    lastByte = Math.max(lastByte, begin + pacedMs(fetch))
    if (end < latest) continue
    latest = end
    ended = fetch.ended
  }
  return { seconds: ended === null ? 0 : Math.round(lastByte - earliest) / 1000, ended }
}
