/** The drawing of pulls over time. */
import { expect, test } from 'vitest'
import { html } from '../../server/report/html.ts'
import { siteTime } from '../../server/report/site-time.ts'
import { type TimelineBar, timelines } from '../../server/report/timeline.ts'

test('a hundred and fifty thousand bars are drawn: more than a call may have arguments', () => {
  const from = Date.UTC(2026, 2, 3, 18)
  const bars = Array.from(
    { length: 150_000 },
    (_, at): TimelineBar => ({
      row: 'reading-room-sw1',
      fromMs: from + at,
      toMs: from + at + 1,
      look: 'whole',
      title: '',
    }),
  )
  const drawn = timelines(bars, siteTime(0))
  expect(drawn).toHaveLength(1)
  expect(html`${drawn}`.html).toContain('reading-room-sw1')
})
