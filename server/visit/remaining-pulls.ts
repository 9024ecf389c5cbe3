/**
 * What the sheet says is still to be pulled, and how long that takes: at least, and at the present rate. Pure.
 *
 * The most that TCP carries over Ethernet with IPv4 and no options is 1460/1538 of the line rate: a packet of
 * 1500 octets holds 1460 of payload (20 for IPv4, RFC 791 §3.1; 20 for TCP, RFC 9293 §3.1) and takes 1538 octets on
 * the wire (IEEE 802.3: preamble and start delimiter 8, addresses and type 14, check sequence 4, gap 12). What a
 * device reaches is less, so that the estimate before is a lower bound.
 */
import type { LivePull } from '../delivery/live-pulls.ts'
import type { Plan } from './plan.ts'
import type { StepPlan } from './plan-shape.ts'
import type { ImageNames } from './planned-image.ts'
import { isOpen } from './standing-names.ts'

const TCP_SHARE_OF_LINE_RATE = 1460 / 1538
/** Mb/s; shown unless `linkMbps` names others. */
const USUAL_LINK_MBPS: readonly number[] = [100, 1_000]

interface Estimate {
  readonly linkMbps: number
  /** At least. */
  readonly seconds: number
}

export interface RemainingPulls {
  /** Devices that still have to pull something themselves; what one pulls for others counts once. */
  readonly devices: number
  /** That have not been handed over to them yet. */
  readonly bytes: number
  /** Planned images that are not in the folder, so that their size is not known: the cells of the sheet. */
  readonly absent: readonly string[]
  /** At least, one a link rate. */
  readonly estimates: readonly Estimate[]
  /** At the rate of all that is under way now; null while nothing moves. */
  readonly secondsNow: number | null
}

type Moving = Pick<LivePull, 'fetches' | 'bytesNow' | 'rateNow'>

/** null when nothing is left to pull. `live`: the pulls under way; `linkMbps` in 10^6 bits per second. */
export function remainingPulls(
  plan: Plan,
  images: ImageNames,
  live: readonly Moving[],
  linkMbps: readonly number[] = USUAL_LINK_MBPS,
): RemainingPulls | null {
  const absent = new Set<string>()
  const underWay = new Map(live.map((pull) => [pull.fetches[0], pull]))
  let devices = 0
  let bytes = 0
  for (const { via, steps } of plan.devices) {
    const open = via === null ? steps.filter(isToBePulled) : []
    if (open.length > 0) devices += 1
    for (const { image, pull } of open) {
      const planned = image === null ? undefined : images.find(image)
      if (planned !== undefined) bytes += planned.bytes - (underWay.get(pull?.fetches[0])?.bytesNow ?? 0)
      else if (image !== null) absent.add(image)
    }
  }
  if (devices === 0) return null
  const rate = live.reduce((sum, { rateNow = 0 }) => sum + rateNow, 0)
  return {
    devices,
    bytes,
    absent: [...absent],
    estimates: estimates(bytes, linkMbps),
    secondsNow: rate > 0 ? bytes / rate : null,
  }
}

/** Handed over whole is not to be waited for, whatever else is to be seen to. */
function isToBePulled({ standing, image }: StepPlan): boolean {
  return image !== null && isOpen(standing) && standing !== 'unconfirmed'
}

/** Payload bytes per second that a link carries at most. `linkMbps` in 10^6 bits per second. */
export function mostBytesPerSecond(linkMbps: number): number {
  return ((linkMbps * 1_000_000) / 8) * TCP_SHARE_OF_LINE_RATE
}

/** One estimate a link rate: every byte goes over the laptop's own link, however many devices pull at once. */
export function estimates(bytes: number, linkMbps = USUAL_LINK_MBPS): readonly Estimate[] {
  return linkMbps.map((mbps) => ({ linkMbps: mbps, seconds: bytes / mostBytesPerSecond(mbps) }))
}
