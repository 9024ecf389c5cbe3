/** What the page says of pulls and images, in words that a customer understands. Never more than was seen. */
import type { LivePull } from '../../delivery/live-pulls.ts'
import type { FetchRecord, PullRecord, PullState } from '../../delivery/records.ts'
import { ENDING_WORDS } from '../../wording/ending-words.ts'
import { isDoneMark, MARK_WORDS } from '../../wording/marks.ts'
import { movementWords } from '../../wording/pull-words.ts'
import { capital, sentence } from '../../wording/refusal-words.ts'
import { bytesText, clockText, durationText, percentText } from '../../wording/units.ts'
import { visible } from '../../wording/visible.ts'
import type { BoardRow, NextStep, ShownImage } from '../snapshot-shape.ts'

export function pullMeaning(pull: PullRecord, lastFetch: FetchRecord | undefined): string {
  return pull.state === 'incomplete' ? incompleteText(pull, lastFetch) : MEANINGS[pull.state]
}

const MEANINGS: Readonly<Record<Exclude<PullState, 'incomplete'>, string>> = {
  complete: 'The device took every byte and closed normally.',
  unconfirmed:
    'Every byte was handed over; that the device has them all was not seen. Compare the digest on the device.',
  running: 'Being recorded.',
}

function incompleteText(pull: PullRecord, lastFetch: FetchRecord | undefined): string {
  const whole = bytesText(pull.image.bytes)
  const handed = lastFetch === undefined ? undefined : lastFetch.first + lastFetch.bytesHandedOver
  const words = lastFetch?.ending == null ? undefined : ENDING_WORDS[lastFetch.ending]
  if (words?.unsure !== undefined) return sentence(capital(`${words.seen}: ${words.unsure}`))
  if (lastFetch?.ending === 'withdrawn') {
    const why = lastFetch.reason === null ? '' : `: ${visible(lastFetch.reason)}`
    return `We stopped it${why}. The device does not have the image.`
  }
  return handed === undefined
    ? `It broke off: ${bytesText(pull.bytesCovered)} of ${whole} bytes are sure. The device does not have the whole image.`
    : `It broke off after at most ${bytesText(handed)} of ${whole} bytes. The device does not have the whole image.`
}

export function movementText({ movement, image, bytesNow }: LivePull): string {
  const sent = `${bytesText(bytesNow)} of ${bytesText(image.bytes)} bytes handed over`
  switch (movement) {
    case 'moving':
      return `Moving: ${sent}.`
    case 'stalled':
      return `Stalled: ${sent}. It may be erasing its flash; keep its power on.`
    case 'waiting for the device to close':
      return 'All handed over; waiting for the device to close. It may be writing its flash; keep its power on.'
    default:
      return 'Being recorded.'
  }
}

/** How much of its image a device has; undefined where it has begun none. */
export function shareOf({ pull, mark }: BoardRow, live: LivePull | undefined): number | undefined {
  if (live !== undefined) return live.image.bytes === 0 ? 1 : live.bytesNow / live.image.bytes
  if (isDoneMark(mark)) return 1
  // Of what broke off nothing may be sure; that is not to say that it has nothing.
  if (pull === null || pull.covered === 0) return undefined
  return pull.covered / pull.bytes
}

/** In the few words that a row has room for, beside mark and percent; `now` in ms since 1970. */
export function whereItStands(row: BoardRow, live: LivePull | undefined, now: number): string {
  const { mark, pull } = row
  const moves = live === undefined ? '' : movesInRow(live, now)
  if (live !== undefined && mark !== 'attention') return moves
  if (row.standing === MARK_WORDS[mark]) return ''
  if (row.standing === 'unconfirmed') return 'compare its digest'
  // The mark says so, and what follows is why.
  const standing = visible(row.standing.replace(/^(?:waiting|contradicted): /, ''))
  if (mark !== 'pulled' || pull?.ended == null) return moves === '' ? standing : `${standing}, ${moves}`
  const took = pull.seconds === null ? '' : ` in ${durationText(pull.seconds)}`
  return `${clockText(pull.ended)}${took}${row.planned ? '' : `, ${standing}`}`
}

function movesInRow(live: LivePull, now: number): string {
  return live.movement === 'waiting for the device to close'
    ? 'waiting for it to close'
    : movementWords(live, now)
}

/** `now` in ms since 1970: how much of the quiet time is left. */
export function stateText(image: ShownImage, now: number): string {
  if (image.state === 'reading') return `reading, ${percentText(image.progress ?? 0, 1)}`
  if (image.state !== 'settling' || image.settlesAt === null) return image.state
  const seconds = Math.ceil((Date.parse(image.settlesAt) - now) / 1000)
  return seconds > 0 ? `settling, ready in about ${seconds} s` : 'settling'
}

/** A number stays on one line with its word. */
export function unbroken(text: string): string {
  return text.replace(/(\d) /g, '$1\u00a0')
}

/** How many images and devices need a hand: one step may stand for several. */
export function handsIn(steps: readonly NextStep[]): number {
  return steps
    .filter(({ weight }) => weight === 'alarm' || weight === 'act')
    .reduce((sum, { things = 1 }) => sum + things, 0)
}
