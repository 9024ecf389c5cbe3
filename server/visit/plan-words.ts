/** Standings in words, for terminal, page and report alike. Text from the sheet stays as it is: the reader disarms. */
import type { PullRecord } from '../delivery/records.ts'
import type { DevicePlan, Standing } from './plan-shape.ts'

/** `step 2 of 3: waiting`, `pulled by harrowick-sw1`, `wrong image: reading-room-4.bin`. */
export function standingWords(device: DevicePlan): string {
  const step = device.steps.length > 1 ? `step ${device.step} of ${device.steps.length}: ` : ''
  if (device.standing === 'wrong image') {
    return `wrong image: ${device.wrongPulls.at(-1)?.image.name ?? ''}`
  }
  return step + plainStanding(device.standing, device.via)
}

export function plainStanding(standing: Standing, via: string | null): string {
  if (standing === 'pulled by another') return `pulled by ${via}`
  if (via === null || standing === 'nothing planned' || standing === 'pulled') return standing
  return standing === 'not seen' ? standing : `${standing} (by ${via})`
}

/** Whether a person has to do something about this device now. */
export function needsAHand(device: DevicePlan): boolean {
  return device.standing === 'wrong image' || device.warnings.length > 0
}

/** Images that a client off the sheet fetched: `a.bin, b.bin (incomplete)`. */
export function strangerWords(pulls: readonly PullRecord[]): string {
  const states = new Map<string, PullRecord['state']>()
  // One that came through is what counts of several.
  for (const { image, state } of pulls)
    if (states.get(image.name) !== 'complete') states.set(image.name, state)
  return [...states].map(([name, state]) => (state === 'complete' ? name : `${name} (${state})`)).join(', ')
}

/** `4.4`, `4.4 (a guess from the name of the image)`, or null. */
export function targetWords({ target, targetGuessed }: DevicePlan['versions']): string | null {
  return targetGuessed ? `${target} (a guess from the name of the image)` : target
}

/** While it is under way: the moment to stop it. `planned`: the images of its rows, in order. */
export function wrongImageWords(wrong: {
  readonly device: string
  readonly address: string
  readonly image: string
  readonly planned: readonly string[]
}): string {
  const { device, address, image, planned } = wrong
  return `${device} (${address}) pulls ${image}; planned is ${planned.join(', then ')}. Stop it there before it writes.`
}
