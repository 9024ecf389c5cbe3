/** What a visit sheet holds: its rows, and what can be wrong with them. */
import { SHEET_ROWS_AT_MOST } from '../ledger/entries.ts'

export const SHEET_LIMITS = Object.freeze({
  bytes: 5 * 1024 * 1024,
  rows: SHEET_ROWS_AT_MOST,
  columns: 100,
  problems: 200,
})

/** One row: a device, or one step of it where it has several. Empty cells are null. */
export interface PlannedRow {
  /** As the spreadsheet numbers it: the heading is row 1 when nothing stands above it. */
  readonly row: number
  /** 1, 2, … among the rows of this device, in the order of the sheet. */
  readonly step: number
  readonly device: string
  /** Canonical; where this row has none, that of the device's first row that has one. */
  readonly address: string | null
  /** `00:00:5e:00:53:01`; taken over from the device's other rows as the address is. */
  readonly mac: string | null
  /** The device that pulls for this one, written as in its own row. */
  readonly via: string | null
  readonly image: string | null
  readonly model: string | null
  readonly serial: string | null
  readonly versionBefore: string | null
  readonly versionTarget: string | null
  readonly rollback: string | null
  readonly note: string | null
  /** All cells as they stand, by heading, the engineer's own columns included. */
  readonly cells: Readonly<Record<string, string>>
}

export interface SheetProblem {
  /** 0 when it is about the whole file. */
  readonly row: number
  readonly column: string | null
  /** What is wrong and what to do; does not repeat row and column. */
  readonly message: string
  /** The plan can work all the same. */
  readonly warning?: true
}

/** Says a problem; a `warning` where the plan can work all the same. */
export type Say = (row: number, column: string | null, message: string, warning?: true) => void

export interface Sheet {
  readonly rows: readonly PlannedRow[]
  /** Headings in order, those that are known in lower case with `_`, the engineer's own as written. */
  readonly columns: readonly string[]
  readonly problems: readonly SheetProblem[]
}

/** A row with its cells by heading, before anything is judged. */
export interface RawRow {
  readonly row: number
  readonly cells: Readonly<Record<string, string>>
}

/** Two devices the same? Letter case and Unicode form do not count. */
export function deviceKey(name: string): string {
  return name.trim().normalize('NFC').toLowerCase()
}

/** The version that a device is to have in the end: of its last row that states one. */
export function lastTarget(rows: readonly PlannedRow[]): string | null {
  return rows.findLast(({ versionTarget }) => versionTarget !== null)?.versionTarget ?? null
}

/** "row 3, column mac: …" in one line, as page and terminal show it. */
export function problemText(problem: SheetProblem): string {
  const where = [
    problem.row > 0 ? `row ${problem.row}` : '',
    problem.column === null ? '' : `column ${problem.column}`,
  ].filter((part) => part !== '')
  return where.length === 0 ? problem.message : `${where.join(', ')}: ${problem.message}`
}
