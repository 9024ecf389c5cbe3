/** One device of the sheet: its steps, what it pulled, how sure that is, and what is still to do. Pure. */
import { addressesOf, type DeviceFacts } from './device-facts.ts'
import { remarksOn, warningsOn } from './device-remarks.ts'
import type {
  DarkOrBack,
  DevicePlan,
  IdentifiedBy,
  PrintedDigest,
  ReturnToService,
  StepPlan,
} from './plan-shape.ts'
import { type ImageNames, imagePlace } from './planned-image.ts'
import { lastTarget, type PlannedRow } from './sheet-rows.ts'
import { type StepStanding, stepStandings } from './standing.ts'
import { isDone, isOpen, type Standing } from './standings.ts'
import { versionStanding } from './version-standing.ts'

export function planDevice(facts: DeviceFacts): DevicePlan {
  const { rows, observations } = facts
  const pulls = facts.pulls.map(({ pull }) => pull)
  const [{ device, address, mac, via, versionBefore }] = rows
  const steps = planSteps(facts)
  const at = stepAtHand(steps)
  const { standing = 'nothing planned', grounds = null } = steps[at] ?? {}
  const lastImage = steps.at(-1)?.image ?? null
  const planned = {
    before: versionBefore,
    target: lastTarget(rows),
    image: lastImage === null ? null : (facts.images.find(lastImage)?.name ?? null),
  }
  const plan: DevicePlan = {
    device,
    address,
    mac,
    via,
    model: firstOf(rows, 'model'),
    serial: firstOf(rows, 'serial'),
    standing,
    grounds,
    step: at + 1,
    steps,
    done: isDone(standing),
    ...otherPulls(facts),
    identifiedBy: identifiedBy(facts),
    seenAt: [...new Set(pulls.flatMap(addressesOf))],
    macSeen: pulls.findLast((pull) => pull.client.mac !== null)?.client.mac ?? null,
    refusals: facts.asked.reduce((sum, { refusals }) => sum + refusals, 0),
    versions: versionStanding(planned, observations),
    printed: printedDigest(facts, steps),
    observations,
    returned: returnOf(facts.returns),
    remarks: [],
    warnings: [],
  }
  return { ...plan, remarks: remarksOn(plan, facts), warnings: warningsOn(plan, facts) }
}

/** A wrong image first, then what moves now, then the first step that is open; else the last one. */
function stepAtHand(steps: readonly StepPlan[]): number {
  for (const standing of ['wrong image', 'pulling'] as const) {
    const found = steps.findIndex((step) => step.standing === standing)
    if (found !== -1) return found
  }
  const open = steps.findIndex((step) => isOpen(step.standing))
  if (open !== -1) return open
  const done = steps.findLastIndex((step) => isDone(step.standing))
  return Math.max(0, done)
}

/** In the order of the sheet; of a device behind another one, what that one got for it. */
function planSteps(facts: DeviceFacts): StepPlan[] {
  const { images, asked } = facts
  const came =
    facts.pulls.length + asked.length > 0 || facts.seen.some(({ printed }) => printed !== undefined)
  const refusal = asked.findLast(({ refusals }) => refusals > 0)?.latest ?? null
  return stepStandings({ ...facts, refusal, came }).map((own, index) => {
    const { row } = own
    const via = facts.via && viaStep(facts.via, row, index, images)
    const image = row.image ?? via?.image ?? null
    const told = via !== undefined && isBetter(via, own) ? via : own
    return {
      row,
      image,
      standing: told.standing,
      grounds: told.grounds ?? own.grounds,
      pull: told.pull ?? own.pull,
      attempts: told.attempts,
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

/** What is planned neither for this device nor for one behind it, and its rollback image. */
function otherPulls(facts: DeviceFacts): Pick<DevicePlan, 'wrongPulls' | 'rollbackPulls'> {
  const placed = facts.pulls.map(({ pull, onRecord }) => ({
    pull,
    kind: imagePlace(pull.image, onRecord, facts).kind,
  }))
  const those = (place: string) => placed.filter(({ kind }) => kind === place).map(({ pull }) => pull)
  return { wrongPulls: those('not planned'), rollbackPulls: those('rollback') }
}

function printedDigest({ seen, images }: DeviceFacts, steps: readonly StepPlan[]): PrintedDigest | null {
  const last = seen.findLast(({ printed }) => printed !== undefined)
  if (last?.printed === undefined) return null
  const { at, by, printed } = last
  const { digest, image, onRecord } = printed
  // What the one that pulls for it is to have is planned for it too.
  const rows = steps.flatMap(({ image }) => (image === null ? [] : { image, rollback: null }))
  const place = image && imagePlace(image, onRecord, { rows, images })
  const planned = rows.length === 0 ? null : place?.kind === 'step' && !place.earlier
  return { at, by, ...digest, image: image?.name ?? null, planned }
}

function identifiedBy({ sharedWith, pulls, rows }: DeviceFacts): IdentifiedBy | null {
  const last = pulls.at(-1)?.pull
  if (last === undefined) return null
  if (sharedWith.length > 0) return 'shared address'
  return last.client.mac !== null && rows.some((row) => row.mac === last.client.mac)
    ? 'hardware address'
    : 'address'
}

function returnOf(entries: readonly DarkOrBack[]): ReturnToService | null {
  const last = entries.at(-1)
  if (last === undefined) return null
  const dark = entries.findLast((entry) => entry.kind === 'device-dark')
  const back = last.kind === 'device-back' ? last : undefined
  return {
    darkAt: dark?.at ?? null,
    backAt: back?.at ?? null,
    darkMs: back?.darkMs ?? null,
    address: last.address,
  }
}

function firstOf(rows: readonly PlannedRow[], column: 'model' | 'serial'): string | null {
  return rows.find((row) => row[column] !== null)?.[column] ?? null
}
