/** One device in the printed record: what was planned, what was done, and how sure that is. */
import type { PullRecord } from '../delivery/records.ts'
import { algorithmText } from '../trust/digests/algorithm.ts'
import type { DevicePlan } from '../visit/device-plan.ts'
import type { StepPlan } from '../visit/plan-shape.ts'
import { SHEET_COLUMNS } from '../visit/sheet-columns.ts'
import { isOpen, type Standing } from '../visit/standing-names.ts'
import { PULL_SHORT, pullWords } from '../wording/pull-words.ts'
import {
  hasGroundsToTell,
  standingSentence,
  standingWords,
  stepWords,
  targetWords,
} from '../wording/standing-words.ts'
import { bytesText, durationText, rateText, type SiteTime } from '../wording/units.ts'
import { type Html, html } from './html.ts'
import { standingText } from './image-view.ts'
import { imageOf, type ReportImage } from './report-images.ts'
import type { VisitReport } from './visit-report.ts'

export function deviceCard(device: DevicePlan, report: VisitReport, time: SiteTime): Html {
  const told = hasGroundsToTell(device) ? [standingSentence(device, time.clock)] : []
  const kind = kindOf(device).join(', ')
  const unplanned = (label: string) => (pull: PullRecord) =>
    html`<div class="step"><span class="label">${label}: <span class="name">${pull.image.name}</span></span>${pullBlock(pull, report, time)}</div>
`
  const said = [
    ...[...told, ...device.warnings].map((text) => html`<p class="warn">${text}</p>`),
    ...device.remarks.map((text) => html`<p>${text}</p>`),
    ...device.observations.flatMap(({ note, by, at }) =>
      note === undefined ? [] : [html`<p>Note by ${by}, ${time.full(at)}: ${note}</p>`],
    ),
  ]
  return html`<section class="card">
<div class="together"><header><h3>${device.device} <span class="model">${kind}</span></h3>${standingTag(device)}</header>
<div class="grid">${facts(device, time)}</div></div>
${device.steps.map((step) => stepBlock(step, device, report, time))}
${device.wrongPulls.map(unplanned('Not planned for this device'))}${device.rollbackPulls.map(unplanned('Rollback image'))}
${evidence(device, time)}
${said.length === 0 ? null : html`<div class="said-list">${said}</div>`}
</section>
`
}

/** Model, serial, what it takes its image from, and the engineer's own columns. */
function kindOf({ model, serial, via, steps }: DevicePlan): string[] {
  const own = Object.entries(steps[0]?.row.cells ?? {}).filter(
    ([name, cell]) => cell.trim() !== '' && !(SHEET_COLUMNS as readonly string[]).includes(name),
  )
  return [
    ...(model === null ? [] : [model]),
    ...(serial === null ? [] : [`serial ${serial}`]),
    ...own.map(([name, cell]) => `${name}: ${cell}`),
    ...(via === null ? [] : [`takes its image from ${via}`]),
  ]
}

export function standingTag(device: DevicePlan): Html {
  return tag(device.standing, device.standing === 'wrong image' ? 'wrong image' : standingWords(device))
}

/** Of one step of several. */
export function stepTag(step: StepPlan, via: string | null): Html {
  return tag(step.standing, stepWords(step, via))
}

function tag(standing: Standing, words: string): Html {
  const look = standing === 'wrong image' ? ' wrong' : isOpen(standing) ? ' open' : ''
  return html`<span class="tag${look}">${words}</span>`
}

export function field(label: string, value: Html | string | null, width = ''): Html {
  const shown = value === null || value === '' ? html`<span class="blank">–</span>` : value
  return html`<div class="field${width === '' ? '' : ` ${width}`}"><span class="label">${label}</span>${shown}</div>`
}

function facts(device: DevicePlan, time: SiteTime): Html[] {
  const { versions, macSeen, mac, seenAt, address } = device
  const seenHardware =
    macSeen !== null && macSeen !== mac
      ? html`${macSeen}<span class="said">as seen${mac === null ? '' : `; planned ${mac}`}</span>`
      : mac
  const addresses = seenAt.length === 0 ? address : seenAt.join(', ')
  return [
    field('Address', addresses),
    field('Hardware', seenHardware),
    field('Recognised by', device.identifiedBy ?? null),
    field('Version before', observed(versions.before, versions.plannedBefore, 'before', device, time)),
    field('Version after', observed(versions.after, null, 'after', device, time)),
    field('Version planned', targetWords(versions)),
  ]
}

/** A version is what a person read off the device, and says so. */
function observed(
  seen: string | null,
  planned: string | null,
  which: 'before' | 'after',
  { observations }: DevicePlan,
  time: SiteTime,
): Html | null {
  if (seen === null) {
    return planned === null
      ? null
      : html`${planned}<span class="said">from the visit sheet, not observed</span>`
  }
  const by = observations.findLast((entry) => entry[which] !== undefined)
  return html`${seen}<span class="said">observed by ${by?.by}, <span class="time">${by === undefined ? '' : time.full(by.at)}</span></span>`
}

function stepBlock(step: StepPlan, device: DevicePlan, report: VisitReport, time: SiteTime): Html {
  const { image, pull, row } = step
  const number = device.steps.length > 1 ? `Step ${row.step} of ${device.steps.length}: ` : ''
  const planned = image === null ? 'no image planned' : html`planned <span class="name">${image}</span>`
  const asides = [
    ...(row.rollback === null ? [] : [`Rollback image: ${row.rollback}.`]),
    ...(row.note === null ? [] : [`Note: ${row.note}`]),
  ]
  const puller = pull === null ? null : pullerOf(pull, device)
  const done =
    pull === null
      ? html`<p class="none">No pull of it is on record.</p>`
      : html`${puller === null ? null : html`<p>Pulled by <strong>${puller}</strong> for this device.</p>`}${pullBlock(pull, report, time, whoPulled(device, puller))}${attempts(step, pull, time)}`
  return html`<div class="step"><span class="label">${number}${planned}</span>
${done}${asides.length === 0 ? null : html`<p>${asides.join(' ')}</p>`}
</div>
`
}

/** Whom the evidence is about: of a shared address nobody knows, of a stack it is the one that pulled. */
function whoPulled(device: DevicePlan, puller: string | null): string {
  return device.identifiedBy === 'shared address' ? 'a device at this address' : (puller ?? 'the device')
}

/** The one that pulled for this device, where another did. */
function pullerOf({ client }: PullRecord, { via, device }: DevicePlan): string | null {
  return client.device === device ? null : via
}

/** A pull in full: image, digest, standing of the published checksum, times, rate, ending. */
export function pullBlock(pull: PullRecord, report: VisitReport, time: SiteTime, who = 'the device'): Html {
  const { image } = pull
  const known = imageOf(report, pull)
  const seen = [...pull.notes, ...(pull.versionChanged ? ['the image changed during the transfer'] : [])]
  return html`<p><strong>${image.name}</strong>, ${bytesText(image.bytes)} bytes. Published checksum: ${known === undefined ? 'not on record' : checksumWords(known)}.</p>
<p><code>SHA-256 ${image.sha256}</code></p>
<p>${time.full(pull.begun)}${pull.ended === null ? '' : html` to ${time.clock(pull.ended)}`} ${time.zone}${paceText(pull)}, from ${(pull.addresses ?? [pull.client.address]).join(', then ')}. ${pullWords(pull, who)}${seen.length === 0 ? '' : ` Seen: ${seen.join('; ')}.`}</p>
${known?.lifted == null ? null : html`<p class="warn">Served although it had been held: ${liftWords(known.name, known.lifted)}</p>`}`
}

/** `core.bin: the hold was lifted by A. Engineer (the maker confirmed it).` */
export function liftWords(name: string, { by, reason }: NonNullable<ReportImage['lifted']>): string {
  return `${name}: the hold was lifted by ${by} (${reason}).`
}

export function checksumWords({ published }: ReportImage): string {
  if (published.standing === 'none')
    return 'none was given, so that the image was not compared with its maker’s'
  return standingText(published)
}

function paceText({ seconds, bytesPerSecond }: PullRecord): string {
  if (seconds === null) return ''
  return `, ${durationText(seconds)}${bytesPerSecond === null ? '' : `, ${rateText(bytesPerSecond)}`}`
}

function attempts({ attempts: all }: StepPlan, pull: PullRecord, time: SiteTime): Html | null {
  const others = all.filter((other) => other !== pull)
  if (others.length === 0) return null
  const list = others.map((other) => `${time.clock(other.begun)} ${PULL_SHORT[other.state]}`).join(', ')
  return html`<p>Other pulls of the same image: ${list}.</p>`
}

function evidence(device: DevicePlan, time: SiteTime): Html | null {
  const { printed, returned } = device
  if (printed === null && returned === null) return null
  return html`<div class="said-list">${
    printed === null
      ? null
      : html`<p class="best"><strong>The device itself printed</strong> the ${algorithmText(printed.algorithm)} digest <code>${printed.value}</code>: ${
          printed.image === null ? 'it is that of no image on record' : `it is that of ${printed.image}`
        }${printed.planned === true ? ', the planned image. No evidence of what a device holds is better' : ''}. Recorded by ${printed.by}, ${time.full(printed.at)}.</p>`
  }${
    returned === null
      ? null
      : html`<p>Return to service (connections to ${returned.address}): ${returned.darkAt === null ? 'dark when first asked' : `went dark ${time.full(returned.darkAt)}`}, ${
          returned.backAt === null
            ? html`<strong>did not answer again</strong>`
            : `answered again ${time.clock(returned.backAt)}${returned.darkMs === null ? '' : `, after ${durationText(returned.darkMs / 1000)}`}`
        }.</p>`
  }</div>
`
}

export function bullets(sentences: readonly string[]): Html {
  return html`<ul>${sentences.map((text) => html`<li>${text}</li>`)}</ul>`
}
