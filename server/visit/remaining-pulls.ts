/** What the sheet says is still to be pulled, and how long that takes: at least, and at the present rate. Pure. */
import type { LivePull } from '../delivery/live-pulls.ts'
import { type Estimate, estimates, USUAL_LINK_MBPS } from './estimate.ts'
import type { Plan, StepPlan } from './plan-shape.ts'
import type { ImageNames } from './planned-image.ts'
import { isOpen } from './standings.ts'

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
