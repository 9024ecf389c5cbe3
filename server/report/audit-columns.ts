/** Pulls and fetches as columns of text, state and percent first, and as the fields of CSV (RFC 4180). */
import { stringify } from 'csv-stringify/sync'
import type { FetchRecord, PullRecord } from '../delivery/records.ts'
import { ENDING_WORDS } from '../wording/ending-words.ts'
import { refusalWords } from '../wording/refusal-words.ts'
import { bytesText, durationText, percentText, rateText, timeText } from '../wording/units.ts'
import { disarmed, shortened } from '../wording/visible.ts'
import type { Column } from './table.ts'

export const PULL_COLUMNS: readonly Column<PullRecord>[] = [
  { title: 'State', head: true, cell: ({ state }) => state },
  {
    title: '%',
    head: true,
    align: 'right',
    cell: ({ bytesCovered, image }) => percentText(bytesCovered, image.bytes),
  },
  { title: 'Device', head: true, name: true, cell: ({ client }) => client.device ?? client.address },
  { title: 'Image', head: true, name: true, cell: ({ image }) => shortened(image.name, 40) },
  { title: 'Begun', cell: ({ begun }) => timeText(begun) },
  { title: 'Duration', align: 'right', cell: ({ seconds }) => orDash(seconds, durationText) },
  { title: 'Rate', align: 'right', cell: ({ bytesPerSecond }) => orDash(bytesPerSecond, rateText) },
  { title: 'Fetches', align: 'right', cell: ({ fetches }) => String(fetches.length) },
  {
    title: 'Address',
    below: true,
    cell: ({ client: { address, mac } }) => (mac === null ? address : `${address}, ${mac}`),
  },
  { title: 'SHA-256', below: true, cell: ({ image }) => image.sha256.slice(0, 12) },
  {
    title: 'Bytes',
    below: true,
    cell: ({ bytesCovered, image }) => `${bytesText(bytesCovered)} of ${bytesText(image.bytes)}`,
  },
  { title: 'Notes', below: true, cell: ({ notes }) => notes.join('; ') },
]

export const FETCH_COLUMNS: readonly Column<FetchRecord>[] = [
  { title: 'No.', head: true, align: 'right', cell: ({ id }) => id },
  { title: 'Ending', head: true, cell: endingText },
  { title: 'Client', head: true, name: true, cell: ({ client }) => client.address },
  { title: 'Request', head: true, name: true, cell: (row) => shortened(requestOf(row), 48) },
  { title: 'Door', cell: ({ door }) => door },
  { title: 'Status', cell: ({ status }) => String(status ?? '-') },
  { title: 'Begun', cell: ({ begun }) => timeText(begun) },
  { title: 'Duration', align: 'right', cell: ({ durationMs: ms }) => orDash(ms && ms / 1000, durationText) },
  {
    title: 'Bytes',
    below: true,
    cell: ({ bytesHandedOver, bytesPromised }) =>
      bytesPromised === 0 ? '-' : `${bytesText(bytesHandedOver)} of ${bytesText(bytesPromised)}`,
  },
  { title: 'Range', below: true, cell: ({ range }) => shortened(range ?? '-', 24) },
  {
    title: 'From',
    below: true,
    cell: ({ client: { port, mac } }) => [port && `port ${port}`, mac].filter(Boolean).join(', ') || '-',
  },
  { title: 'Options', below: true, cell: (row) => optionsText(row) || '-' },
  { title: 'Resent', below: true, cell: ({ resent }) => String(resent ?? '-') },
  { title: 'To', below: true, cell: ({ localAddress }) => localAddress },
  { title: 'Program', below: true, cell: ({ userAgent }) => shortened(userAgent ?? '-', 40) },
  { title: 'Reason', below: true, cell: reasonText },
]

function orDash(value: number | null, text: (value: number) => string): string {
  return value === null ? '-' : text(value)
}

/** What was agreed, as `blksize 1428, tsize 1048576`. */
function optionsText({ options }: FetchRecord): string {
  return Object.entries(options ?? {})
    .map(([name, value]) => `${name} ${value}`)
    .join(', ')
}

/** `GET /reading-room.bin`. */
export function requestOf({ method, target }: FetchRecord): string {
  return [method, target].filter((part) => part !== null).join(' ')
}

/** Of a fetch that got bytes the reason is no sentence of its own. */
function reasonText({ reason, hint }: FetchRecord): string {
  return hint === null ? (reason ?? '') : refusalWords({ reason, hint })
}

function endingText({ ending, acknowledged, count, rehearsal }: FetchRecord): string {
  return [
    ending === null ? 'in progress' : ENDING_WORDS[ending].name,
    ...(acknowledged === true ? ['(acknowledged)'] : []),
    ...(count > 1 ? [`(${count} times)`] : []),
    ...(rehearsal ? ['(rehearsal)'] : []),
  ].join(' ')
}

/** Nothing is an empty field. */
type Cell = string | number | boolean | null | undefined
/** A field's name and its unabridged value. */
export type CsvField<Row> = readonly [name: string, value: (row: Row) => Cell]

export const PULL_FIELDS: readonly CsvField<PullRecord>[] = [
  ['begun', ({ begun }) => begun],
  ['client', ({ client }) => client.address],
  ['mac', ({ client }) => client.mac],
  ['device', ({ client }) => client.device],
  ['image', ({ image }) => image.name],
  ['sha256', ({ image }) => image.sha256],
  ['state', ({ state }) => state],
  ['bytes_covered', ({ bytesCovered }) => bytesCovered],
  ['bytes', ({ image }) => image.bytes],
  ['seconds', ({ seconds }) => seconds],
  ['bytes_per_second', ({ bytesPerSecond }) => bytesPerSecond],
  ['fetches', ({ fetches }) => fetches.length],
  ['fetch_ids', ({ fetches }) => fetches.join(' ')],
  ['notes', ({ notes }) => notes.join('; ')],
]

export const FETCH_FIELDS: readonly CsvField<FetchRecord>[] = [
  ['id', ({ id }) => id],
  ['begun', ({ begun }) => begun],
  ['client', ({ client }) => client.address],
  ['port', ({ client }) => client.port],
  ['mac', ({ client }) => client.mac],
  ['local_address', ({ localAddress }) => localAddress],
  ['request', requestOf],
  ['door', ({ door }) => door],
  ['options', optionsText],
  ['range', ({ range }) => range],
  ['status', ({ status }) => status],
  ['ending', ({ ending }) => ending],
  ['bytes_handed_over', ({ bytesHandedOver }) => bytesHandedOver],
  ['bytes_promised', ({ bytesPromised }) => bytesPromised],
  ['duration_ms', ({ durationMs }) => durationMs],
  ['resent', ({ resent }) => resent],
  ['user_agent', ({ userAgent }) => userAgent],
  ['reason', reasonText],
  ['rehearsal', ({ rehearsal }) => (rehearsal ? 'yes' : null)],
]

export function csvHead(fields: readonly CsvField<never>[]): string {
  return csvText([fields.map(([name]) => name)])
}

/** A line a row. Fields are disarmed of formulas. */
export function csvRows<Row>(fields: readonly CsvField<Row>[], rows: readonly Row[]): string {
  return csvText(
    rows.map((row) =>
      fields.map(([, read]) => {
        const value = read(row)
        return typeof value === 'string' ? disarmed(value) : value
      }),
    ),
  )
}

function csvText(records: Cell[][]): string {
  return stringify(records, { record_delimiter: 'windows' })
}
