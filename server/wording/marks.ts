/** The mark of a device, one word for each: it has one at a time, so that counts of them add up. */
import type { PullState } from '../delivery/records.ts'
import type { DevicePlan } from '../visit/device-plan.ts'
import type { Standing } from '../visit/standing-names.ts'

/** Who needs a person first, then what moves, then what is still to come, then what is done. */
export const MARK_WORDS = Object.freeze({
  attention: 'needs attention',
  stalled: 'stalled',
  pulling: 'pulling',
  unconfirmed: 'not confirmed',
  waiting: 'waiting',
  unseen: 'not seen',
  pulled: 'done',
  confirmed: 'confirmed',
  unplanned: 'no image planned',
})
export type Mark = keyof typeof MARK_WORDS
/** In that order. */
export const MARKS = Object.keys(MARK_WORDS) as Mark[]

const OF_STANDING: Readonly<Record<Standing, Mark>> = {
  confirmed: 'confirmed',
  pulled: 'pulled',
  unconfirmed: 'unconfirmed',
  pulling: 'pulling',
  refused: 'attention',
  contradicted: 'attention',
  'rolled back': 'attention',
  'wrong image': 'attention',
  waiting: 'waiting',
  'not seen': 'unseen',
  'nothing planned': 'unplanned',
}

/** Nothing is left to do for it. */
export function isDoneMark(mark: Mark): boolean {
  return mark === 'pulled' || mark === 'confirmed'
}

/** Of a planned device, by what is on record alone. */
export function markOf({ standing, done, grounds, warnings }: DevicePlan): Mark {
  const isWarned = grounds?.kind === 'broken off' || warnings.length > 0
  return isWarned && !done ? 'attention' : OF_STANDING[standing]
}

/** Of a client that no sheet plans for. */
export const MARK_OF_PULL: Readonly<Record<PullState, Mark>> = Object.freeze({
  running: 'pulling',
  complete: 'pulled',
  unconfirmed: 'unconfirmed',
  incomplete: 'attention',
})
