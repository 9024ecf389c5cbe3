/** One device of the sheet: its steps, what it pulled, how sure that is, and what is still to do. Pure. */
import type { PullRecord } from '../delivery/records.ts'
import type { DeviceFacts } from './device-facts.ts'
import { remarksOn, warningsOn } from './device-remarks.ts'
import type {
  DarkOrBack,
  DevicePlan,
  IdentifiedBy,
  PrintedDigest,
  ReturnToService,
  Standing,
  StepPlan,
} from './plan-shape.ts'
import type { ImageNames } from './planned-image.ts'
import type { PlannedRow } from './sheet-rows.ts'
import { versionStanding } from './version-standing.ts'

export function planDevice(facts: DeviceFacts): DevicePlan {
  const { rows, pulls, observations } = facts
  const first = rows[0]
  const steps = planSteps(facts)
  const printed = printedDigest(facts, steps)
  const { right, wrong, rollback } = sortPulls(facts)
  const open = steps.findIndex((step) => !isDone(step.standing))
  const allDone = open === -1 || printed?.planned === true
  const at = allDone ? steps.length - 1 : open
  const standing = isWrongNow(right, wrong) ? 'wrong image' : wholeStanding(steps, at)
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
    step: at + 1,
    steps,
    done: allDone && standing !== 'wrong image',
    wrongPulls: wrong,
    rollbackPulls: rollback,
    identifiedBy: identifiedBy(facts),
    seenAt: [...new Set(pulls.flatMap((pull) => pull.addresses ?? [pull.client.address]))],
    macSeen: pulls.findLast((pull) => pull.client.mac !== null)?.client.mac ?? null,
    refusals: facts.fetches
      .filter((fetch) => fetch.ending === 'refused')
      .reduce((n, { count }) => n + count, 0),
    versions,
    printed,
    observations,
    returned: returnOf(facts.returns),
    remarks: [],
    warnings: [],
  }
  return { ...device, remarks: remarksOn(device, facts), warnings: warningsOn(device, facts) }
}

function isDone(standing: Standing): boolean {
  return standing === 'pulled' || standing === 'pulled by another' || standing === 'nothing planned'
}

/** What moves now is what a person wants to see, whatever step it is. */
function wholeStanding(steps: readonly StepPlan[], at: number): Standing {
  if (steps.some((step) => step.standing === 'pulling')) return 'pulling'
  return steps[at]?.standing ?? 'nothing planned'
}

/** In the order of the sheet. A step takes the best of the pulls of its image, later ones where they are as good. */
function planSteps(facts: DeviceFacts): StepPlan[] {
  const used = new Set<PullRecord>()
  return facts.rows.map((row, index) => {
    const { image } = row
    const attempts = facts.pulls.filter((pull) => image === null || facts.images.names(image, pull.image))
    // The same image twice in the plan takes two pulls.
    const free = attempts.filter((pull) => !used.has(pull))
    const own = best(free)
    const isLast = facts.rows.slice(index + 1).every((later) => later.image !== image)
    if (own !== undefined && !isLast) used.add(own)
    const via = facts.via === undefined ? undefined : viaStep(facts.via, image, index, facts.images)
    const shown = own === undefined ? via : undefined
    const planned = image ?? via?.image ?? null
    return {
      row,
      image: planned,
      standing: shown === undefined ? standingOf(own, row, facts) : viaStanding(shown, facts),
      pull: own ?? shown?.pull ?? null,
      attempts: shown?.attempts ?? attempts,
      offered: planned === null ? null : facts.images.find(planned) !== undefined,
    }
  })
}

const WORTH: Readonly<Record<PullRecord['state'], number>> = {
  complete: 3,
  running: 2,
  unconfirmed: 1,
  incomplete: 0,
}

function best(pulls: readonly PullRecord[]): PullRecord | undefined {
  return pulls.reduce<PullRecord | undefined>(
    (top, pull) => (top === undefined || WORTH[pull.state] >= WORTH[top.state] ? pull : top),
    undefined,
  )
}

function standingOf(pull: PullRecord | undefined, row: PlannedRow, facts: DeviceFacts): Standing {
  if (pull === undefined) {
    if (row.image === null) return 'nothing planned'
    if (!facts.over) return 'waiting'
    return facts.pulls.length + facts.fetches.length > 0 ? 'not pulled' : 'not seen'
  }
  if (pull.state === 'running') return facts.over ? 'incomplete' : 'pulling'
  if (pull.state === 'incomplete') return 'incomplete'
  return pull.state === 'complete' && facts.sharedWith.length === 0 ? 'pulled' : 'unconfirmed'
}

interface ViaStep {
  readonly image: string | null
  readonly standing: Standing
  readonly pull: PullRecord | null
  readonly attempts: readonly PullRecord[]
}

/** What the puller got for this device: its step with the same image, or all its steps where none is named. */
function viaStep(
  { plan, pulls }: NonNullable<DeviceFacts['via']>,
  image: string | null,
  index: number,
  images: ImageNames,
): ViaStep {
  if (image === null) {
    const last = plan.steps.at(-1)
    return {
      image: last?.image ?? null,
      standing: plan.done ? 'pulled' : (plan.steps[plan.step - 1]?.standing ?? 'waiting'),
      pull: last?.pull ?? null,
      attempts: last?.attempts ?? [],
    }
  }
  const same = plan.steps.filter((step) => step.image === image)
  const step = same[Math.min(index, same.length - 1)]
  if (step !== undefined) return step
  const attempts = pulls.filter((pull) => images.names(image, pull.image))
  return { image, standing: standingOfVia(best(attempts)), pull: best(attempts) ?? null, attempts }
}

function standingOfVia(pull: PullRecord | undefined): Standing {
  if (pull === undefined) return 'waiting'
  if (pull.state === 'complete') return 'pulled'
  return pull.state === 'running' ? 'pulling' : pull.state
}

function viaStanding(via: ViaStep, { over, via: puller }: DeviceFacts): Standing {
  if (via.standing === 'pulled') return 'pulled by another'
  if (!over || via.standing !== 'waiting') return via.standing
  return puller?.plan.steps.every((step) => step.standing === 'not seen') ? 'not seen' : 'not pulled'
}

/** Sorted by whether the sheet knows the image for this device or one behind it; `rollback` is no wrong image. */
function sortPulls(facts: DeviceFacts): { right: PullRecord[]; wrong: PullRecord[]; rollback: PullRecord[] } {
  const sorted = { right: [] as PullRecord[], wrong: [] as PullRecord[], rollback: [] as PullRecord[] }
  const rows = [...facts.rows, ...facts.behindRows]
  const free = facts.rows.every((row) => row.image === null)
  for (const pull of facts.pulls) {
    const names = (cell: string | null): boolean => cell !== null && facts.images.names(cell, pull.image)
    const kind = rows.some((row) => names(row.image))
      ? 'right'
      : rows.some((row) => names(row.rollback))
        ? 'rollback'
        : free
          ? 'right'
          : 'wrong'
    sorted[kind].push(pull)
  }
  // Behind a shared address a wrong image may be another's; it is said of each, since any of them may hold it.
  return sorted
}

/** The wrong image came last: nothing that was planned has been pulled whole since. */
function isWrongNow(right: readonly PullRecord[], wrong: readonly PullRecord[]): boolean {
  const last = wrong.at(-1)
  if (last === undefined) return false
  return !right.some((pull) => pull.begun >= last.begun && pull.state !== 'incomplete')
}

function printedDigest(facts: DeviceFacts, steps: readonly StepPlan[]): PrintedDigest | null {
  const seen = facts.observations.findLast((each) => each.digest !== undefined)
  if (seen?.digest === undefined) return null
  const { algorithm, value, image } = seen.digest
  const planned = steps.at(-1)?.image ?? null
  return {
    at: seen.at,
    by: seen.by,
    algorithm,
    value,
    image: image?.name ?? null,
    planned: image === undefined || planned === null ? null : facts.images.names(planned, image),
  }
}

function identifiedBy({ sharedWith, pulls, rows }: DeviceFacts): IdentifiedBy | null {
  const last = pulls.at(-1)
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
