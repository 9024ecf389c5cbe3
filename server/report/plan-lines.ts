/** The plan against what happened as a table for a terminal. */
import type { DevicePlan } from '../visit/device-plan.ts'
import type { Plan } from '../visit/plan.ts'
import {
  hasGroundsToTell,
  standingSentence,
  standingWords,
  strangerWords,
} from '../wording/standing-words.ts'
import { tallyOfPlan, tallyWords } from '../wording/tally.ts'
import { timeText } from '../wording/units.ts'
import { shortened, visible } from '../wording/visible.ts'
import { tableLines } from './table.ts'

export function planLines(plan: Plan, columns?: number): string[] {
  const { devices, strangers, complete } = plan
  const table = tableLines<DevicePlan>(
    [
      { title: 'Standing', head: true, cell: standingWords },
      { title: 'Device', head: true, name: true, cell: ({ device }) => device },
      {
        title: 'Image',
        head: true,
        name: true,
        cell: ({ steps, step }) => shortened(steps[step - 1]?.image ?? '-', 40),
      },
      { title: 'Pull begun', cell: ({ steps, step }) => begun(steps[step - 1]?.pull?.begun) },
      { title: 'Before', cell: ({ versions }) => versions.before ?? versions.plannedBefore ?? '-' },
      { title: 'After', cell: ({ versions }) => versions.after ?? '-' },
    ],
    devices,
    columns,
  )
  const said = devices.flatMap((each) =>
    [...(hasGroundsToTell(each) ? [standingSentence(each)] : []), ...each.warnings].map((text) =>
      visible(`${each.device}: ${text}`),
    ),
  )
  const others = strangers.map(({ addresses, mac, pulls }) =>
    visible(
      `Not on the sheet: ${addresses.join(', ')}${mac === null ? '' : ` (${mac})`} fetched ${strangerWords(pulls)}`,
    ),
  )
  const end = complete ? 'Nothing is open.' : 'The visit is not complete.'
  return [...table, '', ...said, ...others, visible(`${tallyWords(tallyOfPlan(plan))}. ${end}`)]
}

function begun(iso: string | undefined): string {
  return iso === undefined ? '-' : timeText(iso)
}
