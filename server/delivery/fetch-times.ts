/**
 * When fetches were moving, compared with each other. Within one run by a clock that only goes forward: the wall
 * clock may be set meanwhile, and two fetches one after the other would look as if they had run side by side.
 */
import type { FetchRecord } from './records.ts'

type Timed = Pick<
  FetchRecord,
  'run' | 'upMs' | 'begun' | 'ended' | 'lastByteMs' | 'acknowledgedMs' | 'durationMs' | 'bytesHandedOver'
>

/** Whether there was a moment at which both were handing over bytes. Waiting for the client to close does not count. */
export function movedAtOnce(a: Timed, b: Timed): boolean {
  const ownClock = a.run === b.run && a.upMs !== null && b.upMs !== null
  const beganA = ownClock ? (a.upMs ?? 0) : Date.parse(a.begun)
  const beganB = ownClock ? (b.upMs ?? 0) : Date.parse(b.begun)
  return Math.max(beganA, beganB) < Math.min(beganA + transferMs(a), beganB + transferMs(b))
}

/** Until the last byte was handed over: how long the device then takes to close is its own affair. */
function transferMs(fetch: Timed): number {
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
 * How long the fetches of one pull took together: by the run's own clock where that knows them all, else by the laptop's.
 * A class, since there is one a pull: closures would hold half a kilobyte each.
 */
export class Durations {
  #only: Timed | undefined
  #several: { run: number; own: Extent | undefined; wall: Extent } | undefined

  /** Takes a fetch that has ended. */
  add(fetch: Timed): void {
    if (this.#several === undefined && this.#only === undefined) {
      const { run, upMs, begun, ended, lastByteMs, acknowledgedMs, durationMs, bytesHandedOver } = fetch
      // Not the whole record, which would stay for as long as the pull is kept.
      this.#only = { run, upMs, begun, ended, lastByteMs, acknowledgedMs, durationMs, bytesHandedOver }
      return
    }
    if (this.#only !== undefined) {
      this.#several = { run: this.#only.run, own: new Extent(), wall: new Extent() }
      this.#extend(this.#only)
      this.#only = undefined
    }
    this.#extend(fetch)
  }

  /** From the first beginning to the last byte in seconds, never negative, and when the last of them ended. */
  overAll(): { readonly seconds: number; readonly ended: string | null } {
    const only = this.#only
    if (only !== undefined) return { seconds: Math.round(pacedMs(only)) / 1000, ended: only.ended }
    const several = this.#several
    return (several?.own ?? several?.wall)?.overAll() ?? { seconds: 0, ended: null }
  }

  #extend(fetch: Timed): void {
    const several = this.#several
    if (several === undefined) return
    if (fetch.upMs === null || fetch.run !== several.run) several.own = undefined
    several.own?.add(fetch.upMs ?? 0, fetch)
    several.wall.add(Date.parse(fetch.begun), fetch)
  }
}

class Extent {
  #ended: string | null = null
  #earliest = Number.POSITIVE_INFINITY
  #latest = Number.NEGATIVE_INFINITY
  #lastByte = Number.NEGATIVE_INFINITY

  add(begin: number, fetch: Timed): void {
    const end = begin + (fetch.durationMs ?? 0)
    this.#earliest = Math.min(this.#earliest, begin)
    this.#lastByte = Math.max(this.#lastByte, begin + pacedMs(fetch))
    if (end < this.#latest) return
    this.#latest = end
    this.#ended = fetch.ended
  }

  overAll(): { readonly seconds: number; readonly ended: string | null } {
    const seconds = Math.round(this.#lastByte - this.#earliest) / 1000
    return { seconds: this.#ended === null ? 0 : seconds, ended: this.#ended }
  }
}
