/** What the page says of pulls and images, in words that a customer understands. Never more than was seen. */
import type { LivePull } from '../../delivery/live-pulls.ts'
import type { FetchRecord, PullRecord, PullState } from '../../delivery/records.ts'
import { bytesText, durationText } from '../../wording/units.ts'
import { visible } from '../../wording/visible.ts'
import type { NextStep, ShownImage } from '../snapshot-shape.ts'

/** `needsHand`: somebody should look at the device. */
export interface PullWords {
  readonly state: PullState
  readonly meaning: string
  readonly needsHand: boolean
}

export function pullWords(pull: PullRecord, lastFetch: FetchRecord | undefined): PullWords {
  const { state } = pull
  switch (state) {
    case 'complete':
      return { state, meaning: 'The device took every byte and closed in order.', needsHand: false }
    case 'unconfirmed':
      return {
        state,
        meaning:
          'Every byte was handed over; that the device has them all was not seen. Compare the digest on the device.',
        needsHand: false,
      }
    case 'incomplete':
      return { state, meaning: incompleteText(pull, lastFetch), needsHand: true }
    case 'running':
      return { state, meaning: 'Being written down.', needsHand: false }
  }
}

function incompleteText(pull: PullRecord, lastFetch: FetchRecord | undefined): string {
  const whole = bytesText(pull.image.bytes)
  const handed = lastFetch === undefined ? undefined : lastFetch.first + lastFetch.bytesHandedOver
  switch (lastFetch?.ending) {
    case 'reset-late':
      return `The client broke the connection after the last byte was handed over: it may hold all ${whole} bytes or few.`
    case 'withdrawn':
      return `We stopped it${reasonText(lastFetch)}. The device does not have the image.`
    case 'lost-track':
      return 'The server stopped while it was under way; how far it got is not known.'
    default:
      return handed === undefined
        ? `It broke off: ${bytesText(pull.bytesCovered)} of ${whole} bytes are sure. The device does not have the whole image.`
        : `It broke off after at most ${bytesText(handed)} of ${whole} bytes. The device does not have the whole image.`
  }
}

function reasonText({ reason }: FetchRecord): string {
  return reason === null ? '' : `: ${visible(reason)}`
}

export function movementText(pull: LivePull, stalledMs: number): string {
  switch (pull.movement) {
    case 'moving':
      return 'moving'
    case 'stalled':
      return `stalled: nothing has moved for ${durationText(stalledMs / 1000)} or longer. It may be erasing its flash; leave it its power.`
    case 'waiting for the device to close':
      return 'all handed over, waiting for the device to close. It may be writing its flash; leave it its power.'
    default:
      return 'being written down'
  }
}

/** `now` in ms since 1970: how much of the quiet time is left. */
export function stateText(image: ShownImage, now: number): string {
  if (image.state === 'reading') return `reading, ${Math.floor((image.progress ?? 0) * 100)} %`
  if (image.state !== 'settling' || image.settlesAt === null) return image.state
  const seconds = Math.ceil((Date.parse(image.settlesAt) - now) / 1000)
  return seconds > 0 ? `settling, ready in about ${seconds} s` : 'settling'
}

/** Digits in groups of eight, as people compare them. */
export function grouped(hex: string): string[] {
  return hex.match(/.{1,8}/g) ?? []
}

/** How many images and devices need a hand: one step may stand for several. */
export function handsIn(steps: readonly NextStep[]): number {
  return steps
    .filter(({ weight }) => weight === 'alarm' || weight === 'act')
    .reduce((sum, { things = 1 }) => sum + things, 0)
}
