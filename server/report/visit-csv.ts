/** The record of a visit as CSV (RFC 4180): a row a device and step, then the clients that are not on the sheet. */
import type { PullRecord } from '../delivery/records.ts'
import type { DevicePlan } from '../visit/device-plan.ts'
import type { StepPlan } from '../visit/plan-shape.ts'
import { isOpen } from '../visit/standing-names.ts'
import { standingPredicate } from '../wording/standing-words.ts'
import { type CsvField, csvHead, csvRows } from './audit-columns.ts'
import { imageOf } from './report-images.ts'
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
  ['device', ({ device }) => device?.device],
  ['step', ({ step }) => step?.row.step],
  ['standing', ({ device, step }) => (step ?? device)?.standing ?? 'not on the sheet'],
  ['done', ({ device }) => device && (device.done ? 'yes' : isOpen(device.standing) ? 'no' : null)],
  ['address', ({ device, pull }) => pull?.client.address ?? device?.address],
  ['addresses', ({ pull }) => pull?.addresses?.join(' ')],
  ['mac', ({ device, pull }) => pull?.client.mac ?? device?.mac],
  ['recognised_by', ({ device }) => device?.identifiedBy],
  ['via', ({ device }) => device?.via],
  ['model', ({ device }) => device?.model],
  ['serial', ({ device }) => device?.serial],
  ['planned_image', ({ step }) => step?.image],
  ['pulled_image', ({ pull }) => pull?.image.name],
  ['sha256', ({ pull }) => pull?.image.sha256],
  ['published_checksum', ({ pull, report }) => imageOf(report, pull)?.published.standing],
  ['pull', ({ pull }) => pull?.state],
  ['bytes_covered', ({ pull }) => pull?.bytesCovered],
  ['bytes', ({ pull }) => pull?.image.bytes],
  ['begun', ({ pull }) => pull?.begun],
  ['ended', ({ pull }) => pull?.ended],
  ['seconds', ({ pull }) => pull?.seconds],
  ['bytes_per_second', ({ pull }) => pull?.bytesPerSecond],
  ['version_before', ({ device }) => device?.versions.before],
  ['version_before_planned', ({ device }) => device?.versions.plannedBefore],
  ['version_after', ({ device }) => device?.versions.after],
  ['version_target', ({ step }) => step?.row.versionTarget],
  ['printed_digest', ({ device }) => device?.printed?.value],
  ['printed_digest_of', ({ device }) => device?.printed?.image],
  ['dark', ({ device }) => device?.returned?.darkAt],
  ['back', ({ device }) => device?.returned?.backAt],
  ['why', ({ device, step }) => device && standingPredicate(step ?? device, utc)],
  ['warnings', ({ device }) => device?.warnings.join(' ')],
  ['remarks', ({ device, pull }) => [...(device?.remarks ?? []), ...(pull?.notes ?? [])].join(' ')],
  ['notes', ({ device }) => device?.observations.flatMap(({ note }) => note ?? []).join(' ')],
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
