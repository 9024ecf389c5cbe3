import { expect, test } from 'vitest'
import { type TimelineBar, timelines } from '../../server/report/timeline.ts'
import { siteTime } from '../../server/wording/units.ts'

const BEGUN = Date.parse('2026-11-25T20:00:00Z')

test('more pulls than a call takes arguments are drawn', () => {
  const bars = Array.from(
    { length: 200_000 },
    (_unused, at): TimelineBar => ({
      row: `device ${at % 20}`,
      fromMs: BEGUN + at * 10,
      toMs: BEGUN + at * 10 + 1000,
      look: 'complete',
      title: '',
    }),
  )
  const [drawing, ...more] = timelines(bars, siteTime(0))
  expect(more).toEqual([])
  expect(drawing?.html.split('class="who"')).toHaveLength(20 + 1)
  expect(drawing?.html).toContain('20:00:00 to 20:33:20 (UTC+00:00)')
})
