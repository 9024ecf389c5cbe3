/** One device of the sheet: its steps, what it pulled, how sure that is, and what is still to do. Pure. */
import type { DeviceFacts } from './device-facts.ts'
import { remarksOn, warningsOn } from './device-remarks.ts'
import type {
  DarkOrBack,
  DevicePlan,
  Grounds,
  IdentifiedBy,
  PrintedDigest,
  ReturnToService,
  StepPlan,
} from './plan-shape.ts'
import type { ImageNames } from './planned-image.ts'
import type { PlannedRow } from './sheet-rows.ts'
import { stepStandings } from './standing.ts'
import { imagePlace, type StepStanding } from './standing-evidence.ts'
import { isDone, isOpen, type Standing } from './standings.ts'
import { versionStanding } from './version-standing.ts'

export function planDevice(facts: DeviceFacts): DevicePlan {
  const { rows, observations } = facts
  const pulls = facts.pulls.map(({ pull }) => pull)
  const first = rows[0]
  const steps = planSteps(facts)
  const at = stepAtHand(steps)
  const { standing, grounds } = steps[at] ?? { standing: 'nothing planned' as const, grounds: null }
  const lastImage = steps.at(-1)?.image ?? null
  const versions = versionStanding(
    {
      before: first?.versionBefore ?? null,
      target: rows.findLast((row) => row.versionTarget !== null)?.versionTarget ?? null,
      image: lastImage === null ? null : (facts.images.find(lastImage)?.name ?? null),
    },
    observations,
  )
  const device: DevicePlan = {
    device: first?.device ?? '',
    address: first?.address ?? null,
    mac: first?.mac ?? null,
    via: first?.via ?? null,
    model: firstOf(rows, 'model'),
    serial: firstOf(rows, 'serial'),
    standing,
    grounds,
    step: at + 1,
    steps,
    done: isDone(standing),
    ...otherPulls(facts),
    identifiedBy: identifiedBy(facts),
    seenAt: [...new Set(pulls.flatMap((pull) => pull.addresses ?? [pull.client.address]))],
    macSeen: pulls.findLast((pull) => pull.client.mac !== null)?.client.mac ?? null,
    refusals: facts.asked.reduce((sum, { refusals }) => sum + refusals, 0),
    versions,
    printed: printedDigest(facts, steps),
    observations,
    returned: returnOf(facts.returns),
    remarks: [],
    warnings: [],
  }
  return { ...device, remarks: remarksOn(device, facts), warnings: warningsOn(device, facts) }
}

/** A wrong image first, then what moves now, then the first step that is open; else the last one. */
function stepAtHand(steps: readonly StepPlan[]): number {
  for (const standing of ['wrong image', 'pulling'] as const) {
    const found = steps.findIndex((step) => step.standing === standing)
    if (found !== -1) return found
  }
  const open = steps.findIndex((step) => isOpen(step.standing))
  if (open !== -1) return open
  return Math.max(
    0,
    steps.findLastIndex((step) => isDone(step.standing)),
  )
}

/** In the order of the sheet; of a device behind another one, what that one got for it. */
function planSteps(facts: DeviceFacts): StepPlan[] {
  const { rows, images, asked } = facts
  const came =
    facts.pulls.length + asked.length > 0 || facts.seen.some(({ printed }) => printed !== undefined)
  const refusal = asked.findLast(({ refusals }) => refusals > 0)?.latest ?? null
  const own = stepStandings({ ...facts, refusal, came })
  return rows.map((row, index) => {
    const via = facts.via === undefined ? undefined : viaStep(facts.via, row, index, images)
    const step = own[index]
    const better = step === undefined || (via !== undefined && isBetter(via, step)) ? via : undefined
    const planned = row.image ?? via?.image ?? null
    return {
      row,
      image: planned,
      standing: better?.standing ?? step?.standing ?? 'waiting',
      grounds: better?.grounds ?? step?.grounds ?? null,
      pull: better?.pull ?? step?.pull ?? null,
      attempts: better?.attempts ?? step?.attempts ?? [],
      offered: planned === null ? null : images.find(planned) !== undefined,
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

type ViaStep = StepStanding & Pick<StepPlan, 'image'>

/** What the puller got for this device: its step with the same image, or all its steps where none is named. */
function viaStep(
  { plan, facts }: NonNullable<DeviceFacts['via']>,
  row: PlannedRow,
  index: number,
  images: ImageNames,
): ViaStep {
  const { image } = row
  if (image === null) {
    const last = plan.steps.at(-1)
    const { standing, grounds } = plan
    return {
      image: last?.image ?? null,
      ...pulledFor(standing, grounds),
      pull: last?.pull ?? null,
      attempts: last?.attempts ?? [],
    }
  }
  const same = plan.steps.filter((step) => step.image === image)
  const step = same[Math.min(index, same.length - 1)]
  if (step !== undefined) return { ...step, ...pulledFor(step.standing, step.grounds) }
  // Of what the puller fetched only this image is about this device.
  const rows = [{ ...row, rollback: null }]
  const came = facts.pulls.length + facts.asked.length > 0
  const pulls = facts.pulls.filter(({ pull }) => images.names(image, pull.image))
  const [own] = stepStandings({ ...facts, rows, pulls, seen: [], othersRows: [], refusal: null, came })
  return { image, ...(own ?? { standing: 'waiting', grounds: null, pull: null, attempts: [] }) }
}

/** A digest that the puller printed says what that one holds, not what this one does. */
function pulledFor(standing: Standing, grounds: Grounds | null): Pick<StepPlan, 'standing' | 'grounds'> {
  return standing === 'confirmed' ? { standing: 'pulled', grounds: null } : { standing, grounds }
}

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
  const cells = steps.flatMap((step) => step.image ?? [])
  const planned =
    image !== undefined &&
    cells.some((cell) => images.names(cell, image) && (!onRecord.earlier || images.namesVersion(cell, image)))
  return { at, by, ...digest, image: image?.name ?? null, planned: cells.length === 0 ? null : planned }
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
