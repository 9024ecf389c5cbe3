/** The ledger's `sheet` entry: a sheet on record, and its rows read back from there. */
import type { EntryOf, NewEntryOf } from '../ledger/entries.ts'
import { checkRows } from './sheet-check.ts'
import type { PlannedRow, RawRow } from './sheet-rows.ts'
import type { ReadSheet } from './visit-file.ts'

/** Cells of one entry, so that it fits a line of the ledger. */
const MOST_CHARACTERS = 4 * 1024 * 1024

export function sheetEntry({ file, sha256, rows, errors }: ReadSheet): NewEntryOf<'sheet'> {
  let characters = 0
  const recorded = rows.map(({ cells }) => ({ ...cells }))
  const kept = recorded.filter((cells) => {
    for (const [name, cell] of Object.entries(cells)) characters += name.length + cell.length + 6
    return characters <= MOST_CHARACTERS
  })
  const left = recorded.length - kept.length
  const more = left === 0 ? [] : [`${left} rows are not on record: the sheet is too large.`]
  return { kind: 'sheet', file, sha256, rows: kept, errors: [...errors, ...more] }
}

/** Row numbers are those of the record: 2 for the first. */
export function rowsOnRecord(entry: EntryOf<'sheet'>): readonly PlannedRow[] {
  const raw = entry.rows.map((cells, index): RawRow => ({ row: index + 2, cells }))
  return checkRows(raw, [])
}
