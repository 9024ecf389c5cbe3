/** The ledger's `sheet` entry: a sheet on record, and its rows read back from there. */
import type { EntryOf, NewEntryOf } from '../ledger/entries.ts'
import { checkRows } from './sheet-check.ts'
import type { PlannedRow, RawRow } from './sheet-rows.ts'
import type { ReadSheet } from './visit-file.ts'

/** Of the rows of one entry as they stand in the ledger, so that it fits a line of 16 MiB. */
const MOST_BYTES = 8 * 1024 * 1024

export function sheetEntry({ file, sha256, rows, errors, warnings }: ReadSheet): NewEntryOf<'sheet'> {
  let bytes = 0
  const recorded = rows.map(({ cells }) => ({ ...cells }))
  const kept = recorded.filter((cells) => {
    // As JSON: a control character takes six bytes there.
    bytes += Buffer.byteLength(JSON.stringify(cells)) + 1
    return bytes <= MOST_BYTES
  })
  const left = recorded.length - kept.length
  const more = left === 0 ? [] : [`${left} rows are not on record: the sheet is too large.`]
  return { kind: 'sheet', file, sha256, rows: kept, errors: [...errors, ...warnings, ...more] }
}

/** Row numbers are those of the record: 2 for the first. */
export function rowsOnRecord(entry: EntryOf<'sheet'>): readonly PlannedRow[] {
  const raw = entry.rows.map((cells, index): RawRow => ({ row: index + 2, cells }))
  return checkRows(raw, () => undefined)
}
