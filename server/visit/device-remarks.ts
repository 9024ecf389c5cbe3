/** What is said about one device in plain sentences: how sure its standing is, and what needs a hand. Pure. */
import type { PullRecord } from '../delivery/records.ts'
import type { DeviceFacts } from './device-facts.ts'
import type { DevicePlan, StepPlan } from './plan-shape.ts'

export function remarksOn(device: DevicePlan, facts: DeviceFacts): string[] {
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
function pulledByAnother(device: DevicePlan, { pulls }: DeviceFacts): boolean {
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

export function warningsOn(device: DevicePlan, facts: DeviceFacts): string[] {
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
