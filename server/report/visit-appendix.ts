/** What stands behind the devices in the printed record: strangers, refusals, images, limits, checking, signatures. */
import type { Stranger } from '../visit/plan.ts'
import { STANDINGS } from '../visit/standing-names.ts'
import { CAUTIONS, WHAT_THIS_SHOWS } from '../wording/cautions.ts'
import { formatWords } from '../wording/format-words.ts'
import { STANDING_MEANINGS } from '../wording/standing-words.ts'
import { bytesText, type SiteTime } from '../wording/units.ts'
import { checksumWords, pullBlock } from './device-card.ts'
import { type Html, html } from './html.ts'
import type { ReportImage } from './report-images.ts'
import type { VisitReport } from './visit-report.ts'

/** Longer lists are cut: the CSV and JSON forms hold everything. */
const REFUSALS_AT_MOST = 200

export function strangers(report: VisitReport, time: SiteTime): Html | null {
  if (report.plan === null) return null
  if (report.plan.strangers.length === 0) return html`<p class="none">None pulled an image.</p>`
  const card = ({ addresses, mac, pulls, remark }: Stranger): Html =>
    html`<section class="card"><header><h3>${addresses.join(', ')} <span class="model">${mac ?? 'hardware address not seen'}</span></h3><span class="tag wrong">not on the sheet</span></header>
${remark === null ? null : html`<div class="said-list"><p>${remark}</p></div>`}
${pulls.map((pull) => html`<div class="step">${pullBlock(pull, report, time, 'the client')}</div>`)}
</section>
`
  return html`${report.plan.strangers.map(card)}`
}

export function refusals({ refusals: all }: VisitReport, time: SiteTime): Html {
  if (all.length === 0) return html`<p class="none">None.</p>`
  const shown = all.slice(0, REFUSALS_AT_MOST)
  const more = all.length - shown.length
  const row = ({ first, address, request, count, status, reason }: (typeof all)[number]): Html =>
    html`<tr><td class="time">${time.full(first)}</td><td class="${address.includes(':') ? '' : 'time'}">${address}</td><td>${request}</td><td class="num">${count}</td><td>${status === null ? '' : `${status}: `}${reason}</td></tr>
`
  return html`<table><thead><tr><th>First (${time.zone})</th><th>From</th><th>Request</th><th class="num">Times</th><th>Why</th></tr></thead><tbody>
${shown.map(row)}</tbody></table>
${more > 0 ? html`<p>${more} more are in the CSV and JSON forms of this record.</p>` : null}`
}

export function imagesTable({ images: all }: VisitReport, time: SiteTime): Html {
  if (all.length === 0) return html`<p class="none">No image was on offer.</p>`
  return html`<table><thead><tr><th>Image</th><th class="num">Bytes</th><th>Published checksum</th><th>Format</th><th class="num">Pulls</th></tr></thead>
${all.map((image) => imageRows(image, time))}</table>`
}

function imageRows(image: ReportImage, time: SiteTime): Html {
  const said = [
    `on offer from ${time.full(image.since)}${image.gone === null ? '' : ` until ${time.full(image.gone)}`}`,
    image.planned ? 'planned' : 'not planned for any device',
    ...(image.held === null ? [] : [`held: ${image.held}`]),
    ...(image.lifted === null ? [] : [`hold lifted by ${image.lifted.by} (${image.lifted.reason})`]),
    ...image.notes,
  ]
  return html`<tbody class="pair"><tr><td><strong>${image.name}</strong></td><td class="num">${bytesText(image.bytes)}</td><td>${checksumWords(image)}</td><td>${formatWords(image.format)}</td><td class="num">${image.pulls}</td></tr>
<tr><td colspan="5"><code>SHA-256 ${image.sha256}</code><span class="said">${said.join('; ')}</span></td></tr></tbody>
`
}

export function struck({ struck: all }: VisitReport, time: SiteTime): Html | null {
  if (all.length === 0) return null
  const row = (one: (typeof all)[number]): Html =>
    html`<tr><td class="time">${time.full(one.recorded)}</td><td>${one.text}</td><td class="time">${time.full(one.struck)}</td><td>${one.by}</td><td>${one.reason}</td></tr>
`
  return html`<p>A person recorded this and took it back. The ledger keeps both; nothing above rests on it.</p>
<table><thead><tr><th>Recorded (${time.zone})</th><th>What</th><th>Struck</th><th>By</th><th>Why</th></tr></thead><tbody>
${all.map(row)}</tbody></table>`
}

export function shows({ rehearsals }: VisitReport): Html {
  return html`${WHAT_THIS_SHOWS.map((text) => html`<p>${text}</p>`)}${
    rehearsals.length === 0
      ? null
      : html`<p>Before the devices, the images were fetched over their own addresses and compared ${rehearsals.length} ${rehearsals.length === 1 ? 'time' : 'times'}; differences found: ${rehearsals.reduce((sum, { differences }) => sum + differences.length, 0)}. Those fetches are not counted here.</p>`
  }`
}

export function cautions(): Html {
  return html`<div class="cautions">${CAUTIONS.map((text) => html`<p>${text}</p>`)}</div>`
}

export function checking({ folders }: VisitReport, time: SiteTime): Html {
  const row = ({ name, ledger: { entries, intact, firstBad, head } }: (typeof folders)[number]): Html => {
    const where = firstBad === null ? '' : ` at line ${firstBad.line}: ${firstBad.why}`
    return html`<tr><td>${name}</td><td class="num">${entries}</td><td>${intact ? 'intact' : html`<strong>BROKEN</strong>${where}`}</td><td><code>${head}</code></td></tr>
`
  }
  return html`<p>Everything above was made from the ledger, in which every line carries the digest of the line before it. A changed, missing or reordered line shows; a ledger that was cut off shows against the head digest below; one that was rewritten as a whole shows only against a head that was kept elsewhere. Keep this sheet apart from the ledger.</p>
<table><thead><tr><th>Ledger of</th><th class="num">Entries</th><th>Chain</th><th>Head (SHA-256 of the last line)</th></tr></thead><tbody>
${folders.map(row)}</tbody></table>
${folders.map(({ name, ledger }) => html`<p><code>fetchproof audit ${/^[\w.-]+$/.test(name) ? name : '<folder>'} --check --head ${ledger.head}</code></p>`)}
${folders.flatMap(({ recovered }) => recovered.map((at) => html`<p>The record was taken up again at ${time.full(at)} after the program or the computer had stopped without an orderly end.</p>`))}`
}

export function signatures(): Html {
  const place = (who: string): Html =>
    html`<div class="signature"><p>${who}</p><div class="line"></div><span class="label">Name</span><div class="line"></div><span class="label">Place, date, signature</span></div>`
  return html`<div class="signatures">${place('For the engineer')}${place('For the customer')}</div>`
}

/** Only those that stand in this record. */
export function standings({ plan }: VisitReport): Html | null {
  if (plan === null) return null
  const seen = new Set(
    plan.devices.flatMap(({ standing, steps }) => [standing, ...steps.map((step) => step.standing)]),
  )
  return html`<table><tbody>${STANDINGS.filter((each) => seen.has(each)).map(
    (each) => html`<tr><td><strong>${each}</strong></td><td>${STANDING_MEANINGS[each]}</td></tr>`,
  )}</tbody></table>`
}
