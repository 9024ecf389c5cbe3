/** One device of the sheet: its steps, what it pulled, how sure that is, and what is still to do. Pure. */
import type { PullRecord } from '../delivery/records.ts'
import { addressesOf, type DeviceFacts } from './device-facts.ts'
import type { DarkOrBack, PrintedDigest, StepPlan } from './plan-shape.ts'
import { imagePlace } from './planned-image.ts'
import { lastTarget, type PlannedRow } from './sheet-rows.ts'
import { isDone, isOpen } from './standing-names.ts'
import { planSteps } from './step-plan.ts'
import { versionStanding } from './version-standing.ts'

export type DevicePlan = Readonly<ReturnType<typeof planDevice>>

export function planDevice(facts: DeviceFacts) {
  const device = judged(facts)
  return {
    ...device,
    /** Plain sentences: what was seen and how sure it is. */
    remarks: remarksOn(device, facts),
    /** Plain sentences that need a hand. */
    warnings: warningsOn(device, facts),
  }
}

type Judged = ReturnType<typeof judged>

function judged(facts: DeviceFacts) {
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
  return {
    device,
    address,
    mac,
    via,
    model: firstOf(rows, 'model'),
    serial: firstOf(rows, 'serial'),
    standing,
    grounds,
    /** The step that the standing is about, from 1. */
    step: at + 1,
    steps,
    /** What its standing comes to. */
    done: isDone(standing),
    ...otherPulls(facts),
    identifiedBy: identifiedBy(facts),
    /** Addresses that it was seen under. */
    seenAt: [...new Set(pulls.flatMap(addressesOf))],
    macSeen: pulls.findLast((pull) => pull.client.mac !== null)?.client.mac ?? null,
    refusals: facts.asked.reduce((sum, { refusals }) => sum + refusals, 0),
    versions: versionStanding(planned, observations),
    printed: printedDigest(facts, steps),
    observations,
    returned: returnOf(facts.returns),
  }
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

/** What is planned neither for this device nor for one behind it, and its rollback image. */
function otherPulls(facts: DeviceFacts): Record<'wrongPulls' | 'rollbackPulls', readonly PullRecord[]> {
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

/** How it was told: `shared address` when several devices of the sheet stand behind one. */
function identifiedBy({
  sharedWith,
  pulls,
  rows,
}: DeviceFacts): 'hardware address' | 'address' | 'shared address' | null {
  const last = pulls.at(-1)?.pull
  if (last === undefined) return null
  if (sharedWith.length > 0) return 'shared address'
  return last.client.mac !== null && rows.some((row) => row.mac === last.client.mac)
    ? 'hardware address'
    : 'address'
}

function returnOf(entries: readonly DarkOrBack[]) {
  const last = entries.at(-1)
  if (last === undefined) return null
  const dark = entries.findLast((entry) => entry.kind === 'device-dark')
  const back = last.kind === 'device-back' ? last : undefined
  return {
    /** RFC 3339 UTC; null when it was dark already at the first look. */
    darkAt: dark?.at ?? null,
    /** null while it has not answered again. */
    backAt: back?.at ?? null,
    darkMs: back?.darkMs ?? null,
    address: last.address,
  }
}

function firstOf(rows: readonly PlannedRow[], column: 'model' | 'serial'): string | null {
  return rows.find((row) => row[column] !== null)?.[column] ?? null
}

function remarksOn(device: Judged, facts: DeviceFacts): readonly string[] {
  const remarks: string[] = []
  if (device.identifiedBy === 'shared address') {
    remarks.push(
      `Shares the address ${device.seenAt.join(', ')} with ${facts.sharedWith.join(', ')}: which of them pulled was not seen.`,
    )
  } else if (device.identifiedBy === 'address') {
    const seen =
      device.macSeen === null
        ? 'no hardware address was seen, as behind a router'
        : `the sheet has no hardware address for it (seen: ${device.macSeen})`
    remarks.push(`Known by its network address alone: ${seen}.`)
  }
  const elsewhere = device.seenAt.filter((address) => address !== device.address)
  if (device.address !== null && elsewhere.length > 0) {
    remarks.push(`Also came from ${elsewhere.join(', ')}, with the same hardware address.`)
  }
  if (device.standing === 'pulled' && pulledByAnother(device, facts)) {
    remarks.push(`Pulled by ${device.via}; whether this device got the image from it was not seen.`)
  }
  for (const pull of device.rollbackPulls) remarks.push(rollbackWords(pull))
  const right = device.standing === 'wrong image' ? [] : device.wrongPulls
  for (const pull of right) remarks.push(`Had pulled ${pull.image.name} before, which is not planned for it.`)
  for (const pull of facts.takenBy) {
    remarks.push(
      `${pull.client.address} was used by another hardware address, ${pull.client.mac}: not counted for this device.`,
    )
  }
  for (const { sentence } of facts.hints) remarks.push(`A guess: ${sentence}`)
  return [...remarks, ...device.versions.remarks, ...outOfOrder(device.steps)]
}

/** What its standing rests on came from the address of the device that pulls for it. */
function pulledByAnother(device: Judged, { pulls }: DeviceFacts): boolean {
  const { pull } = device.steps[device.step - 1] ?? {}
  return device.via !== null && pulls.every((own) => own.pull !== pull)
}

function rollbackWords({ state, image }: PullRecord): string {
  if (state === 'complete') return `Pulled the rollback image, ${image.name}.`
  return `Asked for the rollback image, ${image.name}: that pull is ${state}.`
}

function outOfOrder(steps: readonly StepPlan[]): string[] {
  return steps.flatMap((step, index) => {
    const before = steps[index - 1]
    if (step.pull == null || before === undefined || before.pull === step.pull) return []
    const early = before.pull === null || step.pull.begunSeq < before.pull.begunSeq
    return early ? [`Step ${index + 1} was pulled before step ${index}.`] : []
  })
}

function warningsOn(device: Judged, facts: DeviceFacts): readonly string[] {
  const warnings: string[] = []
  for (const step of device.steps) {
    if (step.offered === false) {
      warnings.push(
        facts.over
          ? `The planned image ${step.image} was never on offer.`
          : `The planned image ${step.image} is not on offer: put it into the folder, or correct its row.`,
      )
    }
  }
  const dark = device.returned !== null && device.returned.backAt === null
  if (dark && (facts.over || facts.notBack)) warnings.push('It went dark and has not answered again.')
  return [...warnings, ...device.versions.warnings]
}
