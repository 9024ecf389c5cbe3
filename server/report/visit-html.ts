/**
 * The record of a visit as one HTML file without any outside reference or script, to be read on a screen, printed on
 * A4 or Letter, and signed.
 */
import { createHash } from 'node:crypto'
import type { EntryOf } from '../ledger/entries.ts'
import type { DevicePlan } from '../visit/plan-shape.ts'
import { algorithmText } from '../wording/algorithm-words.ts'
import { PULL_SHORT } from '../wording/pull-words.ts'
import { type SiteTime, siteTime } from '../wording/site-time.ts'
import { durationText, rateText } from '../wording/units.ts'
import { deviceCard, field, standingTag, stepTag } from './device-card.ts'
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
${sections}
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

function numbered(sections: readonly (readonly [string, Html | null])[]): Html[] {
  return sections
    .filter((section): section is readonly [string, Html] => section[1] !== null)
    .map(
      ([title, body], index) => html`<section><h2><span class="no">${index + 1}</span>${title}</h2>
${body}</section>
`,
    )
}

function masthead(report: VisitReport, time: SiteTime): Html {
  const { visit, plan } = report
  const open = report.notDone.length
  const words = report.served
    ? ['Visit in progress', 'made while images were still being served']
    : report.complete
      ? [
          'Complete',
          plan === null ? 'no visit sheet: every pull is complete' : 'everything planned was pulled',
        ]
      : ['Not complete', `${open} ${open === 1 ? 'point' : 'points'} open, see section 2`]
  const span = (at: string | null): string | null => (at === null ? null : `${time.full(at)} ${time.zone}`)
  const hosts = [...new Set(report.folders.flatMap(({ runs }) => runs.map(({ host }) => host)))]
  return html`<header class="masthead"><div><h1>Site visit record</h1><p>Device images served on site: what was planned, and what the devices fetched.</p></div>
<div class="outcome">${words[0]}<small>${words[1]}</small></div></header>
<div class="grid top">${[
    field('Customer', visit.customer, 'half'),
    field('Site', visit.site, 'half'),
    field('Change reference', visit.changeReference),
    field('Engineer', visit.engineer),
    field('Approved by', visit.approver),
    field('Record begins', span(report.begun)),
    field('Record ends', span(report.ended)),
    field('Served from', hosts.join(', ')),
  ]}</div>
`
}

function overview(report: VisitReport, time: SiteTime): Html {
  const { plan } = report
  if (plan === null) {
    return html`<p>There was no visit sheet, so that nothing says which device should have which image. These are the pulls that were seen.</p>
${pullTable(report, time)}`
  }
  const sheets = report.folders.flatMap(({ sheet }) => (sheet === null ? [] : [sheet]))
  const changes = sheets.reduce((sum, sheet) => sum + sheet.changes, 0)
  const counts = Object.entries(plan.counts).map(([standing, count]) => `${count} ${standing}`)
  const errors = sheets.flatMap((sheet) => sheet.errors)
  return html`<p>${plan.devices.length} ${plan.devices.length === 1 ? 'device' : 'devices'} on the visit sheet: ${counts.join(', ')}.${changes > 0 ? ` The sheet was changed ${changes} ${changes === 1 ? 'time' : 'times'} during the visit; the last one counts.` : ''}</p>
<table><thead><tr><th>Device</th><th>Planned image</th><th>Standing</th><th>Pull begun (${time.zone})</th><th class="num">Duration</th><th>Before</th><th>After</th></tr></thead><tbody>
${plan.devices.flatMap((device) => deviceRows(device, time))}
</tbody></table>
${errors.length === 0 ? null : html`<p>The sheet had faults:</p>${bullets(errors)}`}`
}

function deviceRows(device: DevicePlan, time: SiteTime): Html[] {
  const { versions } = device
  return device.steps.map((step, index) => {
    const first = index === 0
    const last = index === device.steps.length - 1
    const name = device.steps.length > 1 ? `${device.device}, step ${index + 1}` : device.device
    const tag =
      device.steps.length === 1 || device.standing === 'wrong image'
        ? standingTag(device)
        : stepTag(step, device.via)
    return html`<tr><td>${name}</td><td>${step.image ?? '–'}</td><td>${tag}${index === 0 ? wrongNames(device) : null}</td><td class="time">${step.pull === null ? '–' : time.full(step.pull.begun)}</td><td class="num">${step.pull?.seconds == null ? '–' : durationText(step.pull.seconds)}</td><td>${first ? beforeWords(device) : '–'}</td><td>${(last ? versions.after : null) ?? '–'}</td></tr>
`
  })
}

function beforeWords({ versions }: DevicePlan): Html | string {
  if (versions.before !== null) return versions.before
  return versions.plannedBefore === null
    ? '–'
    : html`${versions.plannedBefore}<span class="said">by the sheet</span>`
}

/** What it holds now, as far as is known, stands beside the warning. */
function wrongNames({ standing, wrongPulls }: DevicePlan): Html | null {
  if (standing !== 'wrong image') return null
  return html`<span class="said">${[...new Set(wrongPulls.map((pull) => pull.image.name))].join(', ')}</span>`
}

function pullTable({ pulls }: VisitReport, time: SiteTime): Html {
  if (pulls.length === 0) return html`<p class="none">None.</p>`
  return html`<table><thead><tr><th>Client</th><th>Image</th><th>Begun (${time.zone})</th><th class="num">Duration</th><th class="num">Rate</th><th>Ending</th></tr></thead><tbody>
${pulls.map(
  (pull) =>
    html`<tr><td>${pull.client.device ?? pull.client.address}${pull.client.mac === null ? '' : html` <span class="said">${pull.client.mac}</span>`}</td><td>${pull.image.name}</td><td class="time">${time.full(pull.begun)}</td><td class="num">${pull.seconds === null ? '–' : durationText(pull.seconds)}</td><td class="num">${pull.bytesPerSecond === null ? '–' : rateText(pull.bytesPerSecond)}</td><td>${PULL_SHORT[pull.state]}</td></tr>
`,
)}</tbody></table>`
}

function notDone({ notDone: sentences, plan, images: known }: VisitReport): Html {
  const unused = known.filter((image) => image.pulls === 0 && image.gone === null)
  const warnings = (plan?.devices ?? []).flatMap(({ device, warnings: own }) =>
    own.map((text) => `${device}: ${text}`),
  )
  return html`${sentences.length === 0 ? html`<p>Nothing is open.</p>` : bullets(sentences)}
${warnings.length === 0 ? null : html`<p>To be looked at:</p>${bullets(warnings)}`}
${unused.length === 0 ? null : html`<p>Staged, but pulled by no device: ${unused.map(({ name }) => name).join(', ')}.</p>`}`
}

function digestWords({ algorithm, value, image }: NonNullable<EntryOf<'observed'>['digest']>): string {
  const whose = image === undefined ? 'of no image on record' : `of ${image.name}`
  return `the device printed the ${algorithmText(algorithm)} digest ${value}, that ${whose}`
}

function bullets(sentences: readonly string[]): Html {
  return html`<ul>${sentences.map((text) => html`<li>${text}</li>`)}</ul>`
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
    const look = wrong.has(pull) ? 'wrong image' : LOOKS[pull.state]
    const title = `${row}: ${pull.image.name}, ${time.full(pull.begun)}, ${PULL_SHORT[pull.state]}`
    // As long as it took: the clock may have been set between its beginning and its end.
    const tookMs = (pull.seconds ?? 0) * 1000
    const toMs =
      pull.state === 'running' ? Math.max(fromMs, Date.parse(report.ended ?? pull.begun)) : fromMs + tookMs
    return { row, fromMs, toMs, look, title }
  })
}

const LOOKS = {
  complete: 'complete',
  unconfirmed: 'not confirmed',
  running: 'not finished',
  incomplete: 'broken off',
} as const

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
