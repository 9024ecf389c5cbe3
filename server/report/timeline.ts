/**
 * The pulls over time as drawings: a row a device, a bar a pull, told apart by pattern and not by colour. A visit
 * with long breaks is drawn in several parts, and many devices in several drawings, so that a page can hold each.
 */
import type { PullState } from '../delivery/records.ts'
import { grouped } from '../lists-by-key.ts'
import type { SiteTime } from '../wording/units.ts'
import { shortened } from '../wording/visible.ts'
import { type Html, html } from './html.ts'

export interface TimelineBar {
  readonly row: string
  /** Milliseconds since 1970. */
  readonly fromMs: number
  readonly toMs: number
  readonly look: PullState | 'wrong image' | 'dark'
  /** For the drawing's title: read out, and shown when pointed at. */
  readonly title: string
}

const BREAK_MS = 3 * 60 * 60_000
const ROWS_A_DRAWING = 28
const WIDTH = 720
const LABELS = 158
const PLOT = WIDTH - LABELS - 30
const ROW = 20
const HEAD = 24
const LABEL_CHARACTERS = 25
const STEPS_S = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1_800, 3_600, 7_200, 10_800, 21_600, 43_200]
const TICKS_AT_MOST = 7

export function timelines(bars: readonly TimelineBar[], time: SiteTime): Html[] {
  return parts(bars).flatMap((part) => {
    const rows = [...grouped(part, ({ row }) => row)]
    const drawings: Html[] = []
    for (let at = 0; at < rows.length; at += ROWS_A_DRAWING) {
      drawings.push(drawing(rows.slice(at, at + ROWS_A_DRAWING), part, time))
    }
    return drawings
  })
}

type Row = readonly [name: string, bars: readonly TimelineBar[]]

/** Split where nothing moved for hours. */
function parts(bars: readonly TimelineBar[]): TimelineBar[][] {
  const split: TimelineBar[][] = []
  let end = Number.NEGATIVE_INFINITY
  for (const bar of [...bars].sort((a, b) => a.fromMs - b.fromMs)) {
    const current = split.at(-1)
    if (current === undefined || bar.fromMs - end > BREAK_MS) split.push([bar])
    else current.push(bar)
    end = Math.max(end, bar.toMs)
  }
  return split
}

/** Over the time of all `bars` of its part, the earliest of which comes first. */
function drawing(rows: readonly Row[], bars: readonly TimelineBar[], time: SiteTime): Html {
  const first = bars[0]?.fromMs ?? 0
  const last = bars.reduce((latest, { toMs }) => Math.max(latest, toMs), first)
  const stepMs = stepFor(last - first)
  const from = Math.floor(first / stepMs) * stepMs
  const to = Math.max(from + stepMs, Math.ceil(last / stepMs) * stepMs)
  const x = (ms: number): number => LABELS + ((ms - from) / (to - from)) * PLOT
  const height = HEAD + rows.length * ROW + 6
  const iso = (ms: number): string => new Date(ms).toISOString()
  const ticks = Array.from({ length: Math.round((to - from) / stepMs) + 1 }, (_, at) => from + at * stepMs)
  const caption = `${time.day(iso(first))}, ${time.clock(iso(first))} to ${time.clock(iso(last))} (${time.zone})`
  return html`<figure class="timeline">
<figcaption>${caption}</figcaption>
<svg viewBox="0 0 ${WIDTH} ${height}" role="img" aria-label="Pulls over time, ${caption}">
${ticks.map((ms) => tick(x(ms), height, time.clock(iso(ms)).slice(0, stepMs < 60_000 ? 8 : 5)))}
${rows.map((row, at) => drawnRow(row, at, x))}
</svg>
</figure>
`
}

function stepFor(spanMs: number): number {
  const seconds = STEPS_S.find((step) => spanMs / 1_000 / step <= TICKS_AT_MOST - 1)
  return (seconds ?? Math.ceil(spanMs / 1_000 / TICKS_AT_MOST / 86_400) * 86_400) * 1_000
}

function tick(x: number, height: number, label: string): Html {
  return html`<line class="tick" x1="${r(x)}" x2="${r(x)}" y1="${HEAD - 6}" y2="${height - 4}"/><text class="time" x="${r(x)}" y="${HEAD - 11}">${label}</text>
`
}

function drawnRow([row, own]: Row, at: number, x: (ms: number) => number): Html {
  const y = HEAD + at * ROW
  return html`<line class="rule" x1="0" x2="${WIDTH - 30}" y1="${y + ROW - 2}" y2="${y + ROW - 2}"/><text class="who" x="0" y="${y + 12}">${shortened(row, LABEL_CHARACTERS)}</text>
${own.map((bar) => shape(bar, x(bar.fromMs), x(bar.toMs), y + 3))}`
}

/** A pull of a second in a visit of hours is still to be seen. */
const NARROWEST = 3

function shape({ look, title }: TimelineBar, from: number, to: number, y: number): Html {
  const width = Math.max(NARROWEST, to - from)
  if (look === 'dark') {
    return html`<g><title>${title}</title><line class="dark" x1="${r(from)}" x2="${r(from + width)}" y1="${y + 5}" y2="${y + 5}"/></g>
`
  }
  return html`<g><title>${title}</title><rect class="bar ${look.replace(' ', '-')}" x="${r(from)}" y="${y}" width="${r(width)}" height="10"/>${look === 'wrong image' ? html`<text class="mark" x="${r(from + width + 3)}" y="${y + 9}">wrong</text>` : ''}</g>
`
}

function r(value: number): string {
  return value.toFixed(1)
}

/** The patterns in words; beside the first drawing. */
export function timelineKey(): Html {
  const entry = (kind: string, words: string): Html =>
    html`<span class="key"><svg viewBox="0 0 28 12" aria-hidden="true">${
      kind === 'dark'
        ? html`<line class="dark" x1="1" x2="27" y1="6" y2="6"/>`
        : html`<rect class="bar ${kind}" x="1" y="1" width="26" height="10"/>`
    }</svg>${words}</span>`
  return html`<p class="keys"><svg class="patterns" aria-hidden="true"><defs><pattern id="slant" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><line class="hatch" x1="0" x2="0" y1="0" y2="5"/></pattern></defs></svg>${entry('complete', 'complete')}${entry('unconfirmed', 'sent, not confirmed')}${entry('running', 'in progress when the record ends')}${entry('incomplete', 'broken off')}${entry('wrong-image', 'image not planned')}${entry('dark', 'device dark')}</p>
`
}
