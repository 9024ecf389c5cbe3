/**
 * The record of a visit as one HTML file without any outside reference or script, to be read on a screen, printed on
 * A4 or Letter, and signed.
 */
import { createHash } from 'node:crypto'
import type { EntryOf } from '../ledger/entries.ts'
import { algorithmText } from '../trust/digests/algorithm.ts'
import { PULL_SHORT } from '../wording/pull-words.ts'
import { type SiteTime, siteTime } from '../wording/units.ts'
import { bullets, deviceCard, liftWords } from './device-card.ts'
import { masthead, overview, verdict } from './first-page.ts'
import { FORM_STYLE } from './form-style.ts'
import { type Html, html, trusted } from './html.ts'
import { type TimelineBar, timelineKey, timelines } from './timeline.ts'
import {
  cautions,
  checking,
  imagesTable,
  refusals,
  shows,
  signatures,
  standings,
  strangers,
  struck,
} from './visit-appendix.ts'
import type { VisitReport } from './visit-report.ts'

export function visitHtml(report: VisitReport): string {
  const time = siteTime(report.zoneOffsetMinutes)
  const sections = numbered([
    ['What was planned and what was done', overview(report, time)],
    ['What was not done', notDone(report)],
    ['Device by device', cards(report, time)],
    ['The pulls over time', drawings(report, time)],
    ['Clients that are not on the visit sheet', strangers(report, time)],
    ['Requests that were refused', refusals(report, time)],
    ['Images', imagesTable(report, time)],
    ['What was struck', struck(report, time)],
    ['What this record shows, and what it cannot', shows(report)],
    ['Cautions', cautions()],
    ['How to check this record', checking(report, time)],
    ['Names and signatures', signatures()],
    ['What each standing means', standings(report)],
  ])
  const title = ['Site visit record', report.visit.site ?? report.folders.map(({ name }) => name).join(', ')]
  const document = html`<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="${policy()}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="referrer" content="no-referrer">
<meta name="color-scheme" content="light">
<title>${title.join(': ')}</title>
<style>${trusted(FORM_STYLE)}</style>
</head>
<body>
${masthead(report, time)}
${verdict(report)}${sections}
<p class="foot">Made ${time.full(report.made)} ${time.zone} with Fetchproof ${report.version} from the ledger of ${report.folders.map(({ name }) => name).join(', ')}.</p>
</body>
</html>
`
  return document.html
}

/** Nothing is loaded and nothing runs; the one style sheet is named by its digest (CSP Level 3). */
function policy(): string {
  const digest = createHash('sha256').update(FORM_STYLE).digest('base64')
  return `default-src 'none'; style-src 'sha256-${digest}'; base-uri 'none'; form-action 'none'`
}

function numbered(sections: readonly (readonly [title: string, body: Html | null])[]): Html[] {
  const present = sections.filter(([, body]) => body !== null)
  return present.map(
    ([title, body], index) => html`<section><h2><span class="no">${index + 1}</span>${title}</h2>
${body}</section>
`,
  )
}

function notDone({ notDone: sentences, plan, images: known }: VisitReport): Html {
  const lifted = known.flatMap((image) =>
    image.lifted === null ? [] : [liftWords(image.name, image.lifted)],
  )
  const last = new Map(known.map((image) => [image.name, image]))
  const unused = [...last.values()].filter(
    ({ pulls, gone, held }) => pulls === 0 && gone === null && held === null,
  )
  const warnings = (plan?.devices ?? []).flatMap(({ device, warnings: own }) =>
    own.map((text) => `${device}: ${text}`),
  )
  return html`${sentences.length === 0 ? html`<p>Nothing is open.</p>` : bullets(sentences)}
${warnings.length === 0 ? null : html`<p>To be looked at:</p>${bullets(warnings)}`}
${lifted.length === 0 ? null : html`<p>Served although it had been held:</p>${bullets(lifted)}`}
${unused.length === 0 ? null : html`<p>Staged, but pulled by no device: ${unused.map(({ name }) => name).join(', ')}.</p>`}`
}

function digestWords({ algorithm, value, image }: NonNullable<EntryOf<'observed'>['digest']>): string {
  const whose = image === undefined ? 'of no image on record' : `of ${image.name}`
  return `the device printed the ${algorithmText(algorithm)} digest ${value}, that ${whose}`
}

function cards(report: VisitReport, time: SiteTime): Html | null {
  if (report.plan === null) return null
  const { devices, otherObservations } = report.plan
  const others = otherObservations.map(({ device, before, after, digest, note, by, at }) => {
    const said = [
      before && `version before ${before}`,
      after && `version after ${after}`,
      digest && digestWords(digest),
      note,
    ]
    return `${device}: ${said.filter(Boolean).join(', ')} (observed by ${by}, ${time.full(at)})`
  })
  return html`${devices.map((device) => deviceCard(device, report, time))}${
    others.length === 0 ? null : html`<p>Observed of devices that are not on the sheet:</p>${bullets(others)}`
  }`
}

function drawings(report: VisitReport, time: SiteTime): Html {
  const bars = [...pullBars(report, time), ...darkBars(report)]
  if (bars.length === 0) return html`<p class="none">No pull is on record.</p>`
  return html`${timelineKey()}${timelines(bars, time)}`
}

function pullBars(report: VisitReport, time: SiteTime): TimelineBar[] {
  const wrong = new Set(report.plan?.devices.flatMap((device) => device.wrongPulls) ?? [])
  const names = new Map(
    report.plan?.devices.flatMap((device) =>
      [...device.wrongPulls, ...device.rollbackPulls, ...device.steps.flatMap((step) => step.attempts)]
        .filter(() => device.via === null && device.identifiedBy !== 'shared address')
        .map((pull) => [pull, device.device] as const),
    ) ?? [],
  )
  return report.pulls.map((pull) => {
    const fromMs = Date.parse(pull.begun)
    const row = names.get(pull) ?? pull.client.device ?? pull.client.address
    const look = wrong.has(pull) ? 'wrong image' : pull.state
    const title = `${row}: ${pull.image.name}, ${time.full(pull.begun)}, ${PULL_SHORT[pull.state]}`
    // As long as it took: the clock may have been set between its beginning and its end.
    const tookMs = (pull.seconds ?? 0) * 1000
    const toMs =
      pull.state === 'running' ? Math.max(fromMs, Date.parse(report.ended ?? pull.begun)) : fromMs + tookMs
    return { row, fromMs, toMs, look, title }
  })
}

function darkBars({ plan, ended }: VisitReport): TimelineBar[] {
  return (plan?.devices ?? []).flatMap(({ device, returned }) => {
    if (returned?.darkAt == null) return []
    const fromMs = Date.parse(returned.darkAt)
    const toMs = Date.parse(returned.backAt ?? ended ?? returned.darkAt)
    return [
      { row: device, fromMs, toMs: Math.max(fromMs, toMs), look: 'dark', title: `${device}: dark` } as const,
    ]
  })
}
