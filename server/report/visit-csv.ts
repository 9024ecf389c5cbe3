/** The record of a visit as CSV (RFC 4180): a row a device and step, then the clients that are not on the sheet. */
import type { PullRecord } from '../delivery/records.ts'
import type { DevicePlan, StepPlan } from '../visit/plan-shape.ts'
import { isOpen } from '../visit/standings.ts'
import { standingPredicate } from '../wording/standing-words.ts'
import { type CsvField, csvHead, csvRows } from './audit-columns.ts'
import type { VisitReport } from './visit-report.ts'

interface Row {
  readonly device: DevicePlan | null
  readonly step: StepPlan | null
  readonly pull: PullRecord | null
  readonly report: VisitReport
}

/** A table for programs keeps times as the ledger has them. */
const utc = (iso: string): string => iso

const FIELDS: readonly CsvField<Row>[] = [
  ['device', ({ device }) => device?.device ?? null],
  ['step', ({ step }) => step?.row.step ?? null],
  ['standing', ({ device, step }) => standing(device, step)],
  [
    'done',
    ({ device }) => (device === null ? null : device.done ? 'yes' : isOpen(device.standing) ? 'no' : null),
  ],
  ['address', ({ device, pull }) => pull?.client.address ?? device?.address ?? null],
  ['addresses', ({ pull }) => pull?.addresses?.join(' ') ?? null],
  ['mac', ({ device, pull }) => pull?.client.mac ?? device?.mac ?? null],
  ['recognised_by', ({ device }) => device?.identifiedBy ?? null],
  ['via', ({ device }) => device?.via ?? null],
  ['model', ({ device }) => device?.model ?? null],
  ['serial', ({ device }) => device?.serial ?? null],
  ['planned_image', ({ step }) => step?.image ?? null],
  ['pulled_image', ({ pull }) => pull?.image.name ?? null],
  ['sha256', ({ pull }) => pull?.image.sha256 ?? null],
  ['published_checksum', ({ pull, report }) => published(pull, report)],
  ['pull', ({ pull }) => pull?.state ?? null],
  ['bytes_covered', ({ pull }) => pull?.bytesCovered ?? null],
  ['bytes', ({ pull }) => pull?.image.bytes ?? null],
  ['begun', ({ pull }) => pull?.begun ?? null],
  ['ended', ({ pull }) => pull?.ended ?? null],
  ['seconds', ({ pull }) => pull?.seconds ?? null],
  ['bytes_per_second', ({ pull }) => pull?.bytesPerSecond ?? null],
  ['version_before', ({ device }) => device?.versions.before ?? null],
  ['version_before_planned', ({ device }) => device?.versions.plannedBefore ?? null],
  ['version_after', ({ device }) => device?.versions.after ?? null],
  ['version_target', ({ step }) => step?.row.versionTarget ?? null],
  ['printed_digest', ({ device }) => device?.printed?.value ?? null],
  ['printed_digest_of', ({ device }) => device?.printed?.image ?? null],
  ['dark', ({ device }) => device?.returned?.darkAt ?? null],
  ['back', ({ device }) => device?.returned?.backAt ?? null],
  ['why', ({ device, step }) => (device === null ? null : standingPredicate(step ?? device, utc))],
  ['warnings', ({ device }) => device?.warnings.join(' ') ?? null],
  ['remarks', ({ device, pull }) => [...(device?.remarks ?? []), ...(pull?.notes ?? [])].join(' ')],
  ['notes', ({ device }) => device?.observations.flatMap(({ note }) => note ?? []).join(' ') ?? null],
]

export function visitCsv(report: VisitReport): string {
  return csvHead(FIELDS) + csvRows(FIELDS, [...rowsOf(report)])
}

function* rowsOf(report: VisitReport): Generator<Row> {
  for (const device of report.plan?.devices ?? []) {
    for (const step of device.steps) yield { device, step, pull: step.pull, report }
    for (const pull of device.wrongPulls) yield { device, step: null, pull, report }
  }
  const others = report.plan?.strangers.flatMap(({ pulls }) => pulls) ?? report.pulls
  for (const pull of others) yield { device: null, step: null, pull, report }
}

function standing(device: DevicePlan | null, step: StepPlan | null): string {
  if (device === null) return 'not on the sheet'
  return step === null ? device.standing : step.standing
}

function published(pull: PullRecord | null, { images }: VisitReport): string | null {
  const image = images.find((each) => each.sha256 === pull?.image.sha256 && each.name === pull.image.name)
  return image?.published.standing ?? null
}
