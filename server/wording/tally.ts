/** Who is done, who is not, and what is left, in one sentence: the same on page, terminal, audit and report. */
import type { Plan } from '../visit/plan.ts'
import { isDoneMark, MARK_WORDS, MARKS, type Mark, markOf } from './marks.ts'

interface Tally {
  /** Devices of the sheet with an image; without a sheet the clients that came. */
  readonly devices: number
  readonly counts: Readonly<Partial<Record<Mark, number>>>
  /** Clients that pulled and stand on no row. */
  readonly strangers: number
  /** Whether a sheet says how many there are to be. */
  readonly planned: boolean
}

export function tallyOf(marks: readonly Mark[], strangers: number, planned: boolean): Tally {
  const counts: Partial<Record<Mark, number>> = {}
  for (const mark of marks) counts[mark] = (counts[mark] ?? 0) + 1
  return { devices: marks.length - (counts.unplanned ?? 0), counts, strangers, planned }
}

/** Of what is on record, without what moves at this moment. */
export function tallyOfPlan({ devices, strangers }: Plan): Tally {
  return tallyOf(devices.map(markOf), strangers.length, true)
}

/** Whether nothing is left but to compare digests and to save the report. */
export function isAllPulled({ devices, counts }: Tally): boolean {
  return devices > 0 && doneIn(counts) + (counts.unconfirmed ?? 0) === devices
}

/**
 * `9 of 12 done · 2 pulling · 1 needs attention`, or at the end what is left:
 * `All 12 pulled. Compare digests on 3 devices, then save the report`. Without a full stop.
 */
export function tallyWords(tally: Tally): string {
  const { devices, counts, planned, strangers } = tally
  const done = doneIn(counts)
  if (planned && isAllPulled(tally)) return [endWords(tally), ...strangerPart(strangers)].join(' · ')
  if (devices === 0) return planned ? 'No device has an image on the sheet' : 'No device has pulled yet'
  const of = planned ? `${done} of ${devices} done` : `${devices} came: ${done} done`
  const open = MARKS_TOLD.filter((mark) => (counts[mark] ?? 0) > 0)
  const parts = open.map((mark) => `${counts[mark]} ${plural(mark, counts[mark] ?? 0)}`)
  return [of, ...parts, ...strangerPart(strangers)].join(' · ')
}

const MARKS_TOLD: readonly Mark[] = ['pulling', 'stalled', 'attention', 'unconfirmed', 'waiting', 'unseen']

function endWords({ devices, counts }: Tally): string {
  const unsure = counts.unconfirmed ?? 0
  const compare = devices - (counts.confirmed ?? 0)
  const pulled =
    unsure === 0
      ? `All ${devices} pulled`
      : `${devices - unsure} of ${devices} pulled, ${unsure} not confirmed`
  if (compare === 0) return `All ${devices} confirmed by the digests that they printed. Save the report`
  return `${pulled}. Compare digests on ${compare === 1 ? '1 device' : `${compare} devices`}, then save the report`
}

function strangerPart(strangers: number): string[] {
  if (strangers === 0) return []
  return [`${strangers === 1 ? '1 client is' : `${strangers} clients are`} not on the sheet`]
}

function plural(mark: Mark, count: number): string {
  return mark === 'attention' && count > 1 ? 'need attention' : MARK_WORDS[mark]
}

function doneIn(counts: Tally['counts']): number {
  return MARKS.filter(isDoneMark).reduce((sum, mark) => sum + (counts[mark] ?? 0), 0)
}
