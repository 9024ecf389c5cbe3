/** The first page of the printed record: whose visit it is, the verdict with its counts, then a row a device. */
import type { PullRecord } from '../delivery/records.ts'
import type { DevicePlan } from '../visit/device-plan.ts'
import type { Plan } from '../visit/plan.ts'
import { isDone, isOpen, type Standing } from '../visit/standing-names.ts'
import { PULL_SHORT } from '../wording/pull-words.ts'
import { durationText, rateText, type SiteTime } from '../wording/units.ts'
import { bullets, field, standingTag, stepTag } from './device-card.ts'
import { type Html, html } from './html.ts'
import type { VisitReport } from './visit-report.ts'

export function masthead(report: VisitReport, time: SiteTime): Html {
  const { visit, plan } = report
  const open = report.notDone.length
  const [outcome, why] = report.served
    ? ['Visit in progress', 'made while images were still being served']
    : !report.complete
      ? ['Not complete', `${open} ${open === 1 ? 'point' : 'points'} open, see section 2`]
      : [
          'Complete',
          plan === null ? 'no visit sheet: every pull is complete' : 'everything planned was pulled',
        ]
  const span = (at: string | null): string | null => (at === null ? null : `${time.full(at)} ${time.zone}`)
  const hosts = [...new Set(report.folders.flatMap(({ runs }) => runs.map(({ host }) => host)))]
  return html`<header class="masthead"><div><h1>Site visit record</h1><p>Device images served on site: what was planned, and what the devices fetched.</p></div>
<div class="outcome">${outcome}<small>${why}</small></div></header>
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

/** What the visit came to: done, contradicted, open; the standings that make up each count stand below it. */
export function verdict({ plan }: VisitReport): Html | null {
  if (plan === null) return null
  const figures = VERDICTS.map(([word, belongs]) => {
    const standings = (Object.entries(plan.counts) as [Standing, number][]).filter(([each]) => belongs(each))
    const count = standings.reduce((sum, [, each]) => sum + each, 0)
    const parts = standings.map(([standing, each]) => `${each} ${standing}`)
    return html`<div class="figure"><strong>${count}</strong> ${word}<small>${parts.join(', ')}</small></div>`
  })
  return html`<div class="verdict">${figures}</div>
`
}

const AGAINST: ReadonlySet<Standing> = new Set<Standing>(['contradicted', 'wrong image'])
const VERDICTS: readonly (readonly [word: string, belongs: (standing: Standing) => boolean])[] = [
  ['done', isDone],
  ['contradicted', (standing) => AGAINST.has(standing)],
  ['open', (standing) => isOpen(standing) && !AGAINST.has(standing)],
]

export function overview(report: VisitReport, time: SiteTime): Html {
  const { plan } = report
  if (plan === null) {
    return html`<p>There was no visit sheet, so that nothing says which device should have which image. These are the pulls that were seen.</p>
${pullTable(report, time)}`
  }
  const sheets = report.folders.flatMap(({ sheet }) => (sheet === null ? [] : [sheet]))
  const changes = sheets.reduce((sum, sheet) => sum + sheet.changes, 0)
  const errors = sheets.flatMap((sheet) => sheet.errors)
  return html`<table><thead><tr><th>Device</th><th>Planned image</th><th>Standing</th><th>Before</th><th>Planned</th><th>After</th><th>Pull begun (${time.zone})</th></tr></thead><tbody>
${plan.devices.flatMap((device) => deviceRows(device, time))}
</tbody></table>
${footnotes(plan)}${changes === 0 ? null : html`<p>The sheet was changed ${changes} ${changes === 1 ? 'time' : 'times'} during the visit; the last one counts.</p>`}
${errors.length === 0 ? null : html`<p>The sheet had faults:</p>${bullets(errors)}`}`
}

const FROM_SHEET = '*'
const FROM_NAME = '†'

function footnotes({ devices }: Plan): Html | null {
  const isFromSheet = devices.some(
    ({ versions }) => versions.before === null && versions.plannedBefore !== null,
  )
  const isFromName = devices.some(({ versions }) => versions.targetGuessed)
  const notes = [
    isFromSheet && `${FROM_SHEET} by the visit sheet, not observed`,
    isFromName && `${FROM_NAME} a guess from the name of the image`,
  ].filter(Boolean)
  return notes.length === 0
    ? null
    : html`<p class="said">${notes.join(' · ')}</p>
`
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
    return html`<tr><td>${name}</td><td>${step.image ?? '–'}</td><td>${tag}${first ? wrongNames(device) : null}</td><td>${first ? beforeWords(versions) : '–'}</td><td>${last ? plannedWords(versions) : '–'}</td><td>${(last ? versions.after : null) ?? '–'}</td><td class="time">${step.pull === null ? '–' : time.full(step.pull.begun)}</td></tr>
`
  })
}

function beforeWords({ before, plannedBefore }: DevicePlan['versions']): string {
  return before ?? (plannedBefore === null ? '–' : `${plannedBefore}${FROM_SHEET}`)
}

function plannedWords({ target, targetGuessed }: DevicePlan['versions']): string {
  return target === null ? '–' : `${target}${targetGuessed ? FROM_NAME : ''}`
}

/** What it holds now, as far as is known, stands beside the warning. */
function wrongNames({ standing, wrongPulls }: DevicePlan): Html | null {
  if (standing !== 'wrong image') return null
  return html`<span class="said">${[...new Set(wrongPulls.map((pull) => pull.image.name))].join(', ')}</span>`
}

function pullTable({ pulls }: VisitReport, time: SiteTime): Html {
  if (pulls.length === 0) return html`<p class="none">None.</p>`
  const row = ({ client, image, begun, seconds, bytesPerSecond, state }: PullRecord): Html =>
    html`<tr><td>${client.device ?? client.address}${client.mac === null ? '' : html` <span class="said">${client.mac}</span>`}</td><td>${image.name}</td><td class="time">${time.full(begun)}</td><td class="num">${seconds === null ? '–' : durationText(seconds)}</td><td class="num">${bytesPerSecond === null ? '–' : rateText(bytesPerSecond)}</td><td>${PULL_SHORT[state]}</td></tr>
`
  return html`<table><thead><tr><th>Client</th><th>Image</th><th>Begun (${time.zone})</th><th class="num">Duration</th><th class="num">Rate</th><th>Ending</th></tr></thead><tbody>
${pulls.map(row)}</tbody></table>`
}
