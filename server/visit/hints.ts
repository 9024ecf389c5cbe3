/**
 * Guesses from how fetches went, for the person at the site: what a device that stops or crawls may mean. Common
 * practice, graded as guesses; never part of an ending.
 */
import { movedAtOnce, pacedMs } from '../delivery/fetch-times.ts'
import type { FetchRecord } from '../delivery/records.ts'
import { grouped } from '../lists-by-key.ts'
import { mostBytesPerSecond } from './remaining-pulls.ts'

export interface Hint {
  readonly kind: 'same-offset' | 'first-window' | 'slow'
  /** MAC where it is known, else network address. */
  readonly client: string
  readonly image: string
  /** What was seen and what it may mean, in plain words. */
  readonly sentence: string
  /** The fetches that it was taken from. */
  readonly fetches: readonly string[]
}

/** That many stops at one place are no accident. */
const STOPS_ALIKE = 3
/**
 * How far apart stops at "one offset" may lie: what was handed over is ahead of what the device took by what the
 * system holds for it, some MiB at most (measured: 2 MiB). Within a tenth of the image, so that small ones differ.
 */
const STOP_SPREAD_BYTES = 4 * 1024 * 1024
const STOP_SPREAD_SHARE = 0.1
/** No more than this was handed over when little or nothing was acknowledged. */
const FIRST_WINDOW_BYTES = 256 * 1024
/** A client that goes away at once has only looked (a probe); one that waited was stuck. */
const STUCK_MS = 5_000
const STUCK_TIMES = 2
/** A rate is judged from this many bytes on. */
const JUDGED_BYTES = 8 * 1024 * 1024
/** Below this part of the link's share it is much slower. */
const SLOW_SHARE = 0.05

/** Hints of all clients, in the order in which the clients first appear. `linkMbps`: the laptop's link. */
export function hintsFrom(fetches: readonly FetchRecord[], linkMbps = 100): readonly Hint[] {
  const ofImages = fetches.filter(({ image, rehearsal }) => image !== null && !rehearsal)
  const groups = grouped(ofImages, (fetch) => `${clientOf(fetch)} ${fetch.image?.sha256}`)
  return [...groups.values()].flatMap((group) => {
    // What has been delivered since needs no explanation any more.
    const since = group.slice(group.findLastIndex(({ ending }) => ending === 'delivered') + 1)
    // A window that never opens explains stops at one offset too: the nearer reason stands alone.
    const stopped = firstWindowHint(since) ?? sameOffsetHint(since)
    return [stopped, slowHint(group, fetches, linkMbps)].filter((hint) => hint !== undefined)
  })
}

/** Stopped again and again at about the same place, on whole-image fetches and resumes alike. */
function sameOffsetHint(group: readonly FetchRecord[]): Hint | undefined {
  const bytes = group[0]?.image?.bytes ?? 0
  const stops = group
    .filter((fetch) => wasStopped(fetch) && fetch.bytesHandedOver > 0 && endOffset(fetch) < bytes)
    .slice(-STOPS_ALIKE)
  if (stops.length < STOPS_ALIKE) return undefined
  const offsets = stops.map(endOffset)
  const [lowest, highest] = [Math.min(...offsets), Math.max(...offsets)]
  if (highest - lowest > Math.min(STOP_SPREAD_BYTES, bytes * STOP_SPREAD_SHARE)) return undefined
  const percent = Math.floor((lowest / bytes) * 100)
  return hint(
    'same-offset',
    stops,
    `Stopped ${stops.length} times near the same place (about ${percent} % of the image). Perhaps the device has no room for the rest: compare its free flash memory with the size of the image.`,
  )
}

/** Stuck after the first few packets: small ones pass, full-size ones do not. */
function firstWindowHint(group: readonly FetchRecord[]): Hint | undefined {
  const stuck = group.filter(
    (fetch) =>
      wasStopped(fetch) &&
      fetch.bytesHandedOver <= FIRST_WINDOW_BYTES &&
      fetch.bytesHandedOver < fetch.bytesPromised &&
      (fetch.durationMs ?? 0) >= STUCK_MS,
  )
  if (stuck.length < STUCK_TIMES) return undefined
  return hint(
    'first-window',
    stuck,
    `Stopped ${stuck.length} times before anything much had arrived. Perhaps large packets are lost on the way (a path with a smaller MTU, such as a tunnel), though small replies pass: try a direct cable, or a smaller MTU on this machine.`,
  )
}

/** The last complete fetch took far longer than the link's share for it would. */
function slowHint(
  group: readonly FetchRecord[],
  all: readonly FetchRecord[],
  linkMbps: number,
): Hint | undefined {
  const last = group.findLast(
    (fetch) => fetch.ending === 'delivered' && fetch.bytesHandedOver >= JUDGED_BYTES && pacedMs(fetch) > 0,
  )
  if (last === undefined) return undefined
  const bytesPerSecond = (last.bytesHandedOver / pacedMs(last)) * 1_000
  // However many share the link, it has no more to share.
  if (bytesPerSecond >= mostBytesPerSecond(linkMbps) * SLOW_SHARE) return undefined
  const sharing = all.filter((other) => other.bytesHandedOver > 0 && movedAtOnce(last, other)).length
  const share = mostBytesPerSecond(linkMbps) / Math.max(1, sharing)
  if (bytesPerSecond >= share * SLOW_SHARE) return undefined
  return hint('slow', [last], slowSentence(bytesPerSecond, linkMbps))
}

function slowSentence(bytesPerSecond: number, linkMbps: number): string {
  const mbps = ((bytesPerSecond * 8) / 1_000_000).toPrecision(2)
  return `Much slower than the link: ${Number(mbps)} of ${linkMbps} Mb/s. Perhaps one end of the cable is set to another duplex mode, or the cable or a port is bad; a device that writes while it receives is slow too.`
}

/** Ended from the client's side or by the network, short of what was promised or just after. */
function wasStopped(fetch: FetchRecord): boolean {
  return fetch.ending === 'cut' || fetch.ending === 'reset-late'
}

function endOffset(fetch: FetchRecord): number {
  return fetch.first + fetch.bytesHandedOver
}

function clientOf(fetch: FetchRecord): string {
  return fetch.client.mac ?? fetch.client.address
}

function hint(kind: Hint['kind'], fetches: readonly FetchRecord[], sentence: string): Hint {
  const [first] = fetches
  return {
    kind,
    client: first === undefined ? '' : clientOf(first),
    image: first?.image?.name ?? '',
    sentence,
    fetches: fetches.map(({ id }) => id),
  }
}
