/** Columns of pulls and fetches, for the text table and for CSV (RFC 4180). */
import { stringify } from 'csv-stringify/sync'
import type { FetchRecord, PullRecord } from '../delivery/records.ts'
import { refusalWords } from '../wording/refusal-words.ts'
import { bytesText, durationText, rateText, timeText } from '../wording/units.ts'
import { disarmed, shortened } from '../wording/visible.ts'
import type { Column } from './table.ts'

/** `csv` is the unabridged value; a column without `title` stands in CSV alone. */
export interface AuditColumn<Row> extends Column<Row> {
  readonly field: string
  readonly csv: (row: Row) => string | number | boolean | null
}

export const PULL_COLUMNS: readonly AuditColumn<PullRecord>[] = [
  { title: 'Begun', field: 'begun', cell: (row) => timeText(row.begun), csv: (row) => row.begun },
  { title: 'Client', field: 'client', cell: (row) => row.client.address, csv: (row) => row.client.address },
  {
    title: 'Hardware address',
    field: 'mac',
    cell: (row) => row.client.mac ?? '-',
    csv: (row) => row.client.mac,
  },
  {
    title: 'Device',
    field: 'device',
    cell: (row) => row.client.device ?? '-',
    csv: (row) => row.client.device,
  },
  {
    title: 'Image',
    field: 'image',
    cell: (row) => shortened(row.image.name, 40),
    csv: (row) => row.image.name,
  },
  {
    title: 'SHA-256',
    field: 'sha256',
    cell: (row) => row.image.sha256.slice(0, 12),
    csv: (row) => row.image.sha256,
  },
  { title: 'State', field: 'state', cell: (row) => row.state, csv: (row) => row.state },
  {
    title: 'Covered',
    field: 'bytes_covered',
    align: 'right',
    cell: (row) => bytesText(row.bytesCovered),
    csv: (row) => row.bytesCovered,
  },
  {
    title: 'Of',
    field: 'bytes',
    align: 'right',
    cell: (row) => bytesText(row.image.bytes),
    csv: (row) => row.image.bytes,
  },
  {
    title: 'Duration',
    field: 'seconds',
    align: 'right',
    cell: (row) => (row.seconds === null ? '-' : durationText(row.seconds)),
    csv: (row) => row.seconds,
  },
  {
    title: 'Rate',
    field: 'bytes_per_second',
    align: 'right',
    cell: (row) => (row.bytesPerSecond === null ? '-' : rateText(row.bytesPerSecond)),
    csv: (row) => row.bytesPerSecond,
  },
  {
    title: 'Fetches',
    field: 'fetches',
    cell: (row) => row.fetches.join(' '),
    csv: (row) => row.fetches.join(' '),
  },
  { title: 'Notes', field: 'notes', cell: (row) => row.notes.join('; '), csv: (row) => row.notes.join('; ') },
]

export const FETCH_COLUMNS: readonly AuditColumn<FetchRecord>[] = [
  { title: 'No.', field: 'id', align: 'right', cell: (row) => row.id, csv: (row) => row.id },
  { title: 'Begun', field: 'begun', cell: (row) => timeText(row.begun), csv: (row) => row.begun },
  {
    title: 'Client',
    field: 'client',
    cell: (row) => row.client.address,
    csv: (row) => row.client.address,
  },
  {
    title: 'Port',
    field: 'port',
    cell: (row) => String(row.client.port ?? '-'),
    csv: (row) => row.client.port ?? null,
  },
  {
    title: 'Hardware address',
    field: 'mac',
    cell: (row) => row.client.mac ?? '-',
    csv: (row) => row.client.mac ?? null,
  },
  { title: 'To', field: 'local_address', cell: (row) => row.localAddress, csv: (row) => row.localAddress },
  {
    title: 'Request',
    field: 'request',
    cell: (row) => shortened([row.method, row.target].filter((part) => part !== null).join(' '), 48),
    csv: (row) => [row.method, row.target].filter((part) => part !== null).join(' '),
  },
  { title: 'Door', field: 'door', cell: (row) => row.door, csv: (row) => row.door },
  { title: 'Options', field: 'options', cell: (row) => optionsText(row) || '-', csv: optionsText },
  { title: 'Range', field: 'range', cell: (row) => shortened(row.range ?? '-', 24), csv: (row) => row.range },
  { title: 'Status', field: 'status', cell: (row) => String(row.status ?? '-'), csv: (row) => row.status },
  { title: 'Ending', field: 'ending', cell: endingText, csv: (row) => row.ending },
  {
    title: 'Handed over',
    field: 'bytes_handed_over',
    align: 'right',
    cell: (row) => bytesText(row.bytesHandedOver),
    csv: (row) => row.bytesHandedOver,
  },
  {
    title: 'Of',
    field: 'bytes_promised',
    align: 'right',
    cell: (row) => bytesText(row.bytesPromised),
    csv: (row) => row.bytesPromised,
  },
  {
    title: 'Duration',
    field: 'duration_ms',
    align: 'right',
    cell: (row) => (row.durationMs === null ? '-' : durationText(row.durationMs / 1000)),
    csv: (row) => row.durationMs,
  },
  {
    title: 'Resent',
    field: 'resent',
    align: 'right',
    cell: (row) => String(row.resent ?? '-'),
    csv: (row) => row.resent,
  },
  {
    title: 'Client program',
    field: 'user_agent',
    cell: (row) => shortened(row.userAgent ?? '-', 24),
    csv: (row) => row.userAgent,
  },
  {
    title: 'Reason',
    field: 'reason',
    cell: reasonText,
    csv: reasonText,
  },
]

function optionsText({ options }: FetchRecord): string {
  return Object.entries(options ?? {})
    .map(([name, value]) => `${name} ${value}`)
    .join(', ')
}

/** Of a fetch that got bytes the reason is no sentence of its own. */
function reasonText({ reason, hint }: FetchRecord): string {
  return hint === null ? (reason ?? '') : refusalWords({ reason, hint })
}

function endingText(fetch: FetchRecord): string {
  const ending = fetch.ending ?? 'in progress'
  const times = fetch.count > 1 ? ` (${fetch.count} times)` : ''
  return `${ending}${fetch.acknowledged === true ? ' (acknowledged)' : ''}${times}`
}

export function csvHead(columns: readonly AuditColumn<never>[]): string {
  return csvText([columns.map((column) => column.field)])
}

/** A line a row. Fields are disarmed of formulas. */
export function csvRows<Row>(columns: readonly AuditColumn<Row>[], rows: readonly Row[]): string {
  return csvText(
    rows.map((row) =>
      columns.map((column) => {
        const value = column.csv(row)
        return typeof value === 'string' ? disarmed(value) : value
      }),
    ),
  )
}

function csvText(records: (string | number | boolean | null)[][]): string {
  return stringify(records, { record_delimiter: 'windows' })
}
