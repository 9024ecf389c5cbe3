/** The steps of one device of the sheet: its own, and of a device behind another one what that one got for it. Pure. */
import type { DeviceFacts } from './device-facts.ts'
import type { StepPlan } from './plan-shape.ts'
import type { ImageNames } from './planned-image.ts'
import type { PlannedRow } from './sheet-rows.ts'
import { type StepStanding, stepStandings } from './standing.ts'
import type { Standing } from './standing-names.ts'

/** In the order of the sheet. */
export function planSteps(facts: DeviceFacts): StepPlan[] {
  const { images, asked } = facts
  const came =
    facts.pulls.length + asked.length > 0 || facts.seen.some(({ printed }) => printed !== undefined)
  const refusal = asked.findLast(({ refusals }) => refusals > 0)?.latest ?? null
  return stepStandings({ ...facts, refusal, came }).map((own, index) => {
    const { row } = own
    const via = facts.via && viaStep(facts.via, row, index, images)
    const image = row.image ?? via?.image ?? null
    const { standing, grounds, pull, attempts } = via !== undefined && isBetter(via, own) ? via : own
    return {
      row,
      image,
      standing,
      grounds,
      pull,
      attempts,
      offered: image === null ? null : images.find(image) !== undefined,
    }
  })
}

const NOT_YET: ReadonlySet<Standing> = new Set<Standing>(['waiting', 'not seen', 'nothing planned'])

/** What the device itself showed comes before what the one that pulls for it did. */
function isBetter(via: StepStanding, own: StepStanding): boolean {
  if (own.standing === 'nothing planned') return true
  if (!NOT_YET.has(own.standing) && own.standing !== 'refused') return false
  return !NOT_YET.has(via.standing) || (NOT_YET.has(own.standing) && own.attempts.length === 0)
}

/** What the puller got for this device: its step with the same image, or all its steps where none is named. */
function viaStep(
  { plan, facts }: NonNullable<DeviceFacts['via']>,
  row: PlannedRow,
  index: number,
  images: ImageNames,
): (StepStanding & Pick<StepPlan, 'image'>) | undefined {
  const { image } = row
  const last = plan.steps.at(-1)
  if (image === null) return last && { ...last, ...pulledFor(plan) }
  const same = plan.steps.filter((step) => step.image === image)
  const step = same[index] ?? same.at(-1)
  if (step !== undefined) return { ...step, ...pulledFor(step) }
  // Of what the puller fetched only this image is about this device.
  const rows = [{ ...row, rollback: null }]
  const came = facts.pulls.length + facts.asked.length > 0
  const pulls = facts.pulls.filter(({ pull }) => images.names(image, pull.image))
  const [own] = stepStandings({ ...facts, rows, pulls, seen: [], othersRows: [], refusal: null, came })
  return own && { ...own, image }
}

/** A digest that the puller printed says what that one holds, not what this one does. */
function pulledFor({ standing, grounds }: Told): Told {
  return standing === 'confirmed' ? { standing: 'pulled', grounds: null } : { standing, grounds }
}

type Told = Pick<StepPlan, 'standing' | 'grounds'>
