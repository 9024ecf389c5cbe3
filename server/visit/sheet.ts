/**
 * The visit sheet: which device should get which image. CSV by RFC 4180, as spreadsheets save it: BOM or UTF-16,
 * comma, semicolon or tab, quoted line breaks, empty columns behind. Whatever stands in it, reading never throws:
 * what is wrong is named by row and column, with what to do, and the good rows count.
 */
import { parse } from 'csv-parse/sync'
import { utf16Text } from '../files/utf16.ts'
import { cleanCell, damageOf, sayLostZeros } from './sheet-cells.ts'
import { checkRows } from './sheet-check.ts'
import { readHeadings, SHEET_COLUMNS } from './sheet-columns.ts'
import { type RawRow, type Say, SHEET_LIMITS, type Sheet, type SheetProblem } from './sheet-rows.ts'

/** Empty lines count as rows of a spreadsheet; this many records are looked at. */
const MOST_RECORDS = SHEET_LIMITS.rows * 2
/** Of one line of the file; ten times the columns that are read. */
const LINE_AT_MOST = { cells: SHEET_LIMITS.columns * 10, characters: 256 * 1024 }

/** Reads a sheet. Bounded by SHEET_LIMITS; never throws on content. */
export function parseSheet(bytes: Uint8Array): Sheet {
  const problems: SheetProblem[] = []
  const say: Say = (row, column, message, warning) =>
    void problems.push({ row, column, message, ...(warning && { warning }) })
  if (bytes.length > SHEET_LIMITS.bytes) {
    const size = `${SHEET_LIMITS.bytes / 1024 / 1024} MiB`
    say(0, null, `The sheet is larger than ${size}. Keep only the rows of this visit.`)
    return { rows: [], columns: [], problems }
  }
  const text = unicodeText(bytes)
  const records = readRecords(text ?? olderText(bytes), say)
  const headingAt = records.findIndex((record) => !isEmpty(record) && !isSeparatorHint(record))
  const heading = records[headingAt]
  if (heading === undefined) {
    if (problems.length === 0) say(1, null, EMPTY)
    return { rows: [], columns: [], problems }
  }
  if (text === undefined) say(0, null, NOT_UTF8)
  const columns = readHeadings(heading, headingAt + 1, say)
  const hasDevice = columns.includes('device')
  if (!hasDevice) say(headingAt + 1, 'device', NO_DEVICE)
  const rows = hasDevice ? checkRows(readRows(records, headingAt, columns, say), say) : []
  return { rows, columns: columns.filter((name) => name !== ''), problems: inOrder(problems) }
}

const EMPTY = 'The sheet is empty. Give it a heading row with at least the column device.'
const NOT_UTF8 =
  'The sheet is not saved as UTF-8, so that accented letters may be wrong. Save it as "CSV UTF-8".'
const NO_DEVICE = `There is no column device. The first row must hold the headings: ${SHEET_COLUMNS.join(', ')}; only device is needed.`
const TOO_MANY_ROWS = `Only the first ${SHEET_LIMITS.rows} rows are read. Split the sheet into several folders.`
const TOO_MANY = `Rows after number ${MOST_RECORDS} are not read, empty ones counted. Remove the empty rows.`
const OVERLONG =
  'This row is longer than any of a visit sheet; it and those after it are not read. Correct or remove it.'
const OPEN_QUOTE =
  'A quotation mark opens here and is not closed; this row and those after it are not read. Close it, or write a quotation mark within a cell twice ("").'
const TOO_MANY_CELLS =
  'This row has more cells than there are headings; put cells that hold the separator into quotation marks, or add a heading.'

/** UTF-8 with or without BOM, or UTF-16 as spreadsheets save it; undefined when it is neither. */
function unicodeText(bytes: Uint8Array): string | undefined {
  try {
    return utf16Text(bytes) ?? new TextDecoder('utf-8', { fatal: true }).decode(bytes)
  } catch {
    return undefined
  }
}

/** Windows-1252, the usual one of spreadsheets of Western Europe (common practice); else Latin-1. */
function olderText(bytes: Uint8Array): string {
  try {
    return new TextDecoder('windows-1252').decode(bytes)
  } catch {
    return Buffer.from(bytes).toString('latin1')
  }
}

/** By row; the first SHEET_LIMITS.problems and how many more there are. */
function inOrder(problems: readonly SheetProblem[]): SheetProblem[] {
  const sorted = problems.toSorted((a, b) => a.row - b.row)
  const more = sorted.length - SHEET_LIMITS.problems
  if (more <= 0) return sorted
  const message = `${more} more problems are not shown. Correct these first.`
  return [...sorted.slice(0, SHEET_LIMITS.problems), { row: 0, column: null, message }]
}

function isEmpty(record: readonly string[]): boolean {
  return record.every((cell) => cell.trim() === '')
}

/** Records in order, empty ones too, so that their places are the spreadsheet's row numbers. */
function readRecords(whole: string, say: Say): string[][] {
  const records: string[][] = []
  const delimiter = detectDelimiter(whole)
  const text = untilOverlongLine(whole, delimiter)
  try {
    parse(text, {
      bom: true,
      delimiter,
      relax_column_count: true,
      relax_quotes: true,
      to: MOST_RECORDS,
      onRecord: (record: string[]) => {
        records.push(record)
        return null
      },
    })
    if (text.length < whole.length) say(records.length + 1, null, OVERLONG)
    else if (records.length === MOST_RECORDS) say(MOST_RECORDS, null, TOO_MANY)
  } catch {
    say(records.length + 1, null, OPEN_QUOTE)
  }
  return records
}

/**
 * The text up to a line that no sheet has. Without this, five million commas or NULs in one line held up the whole
 * program for 3 to 4 s of processor time; with it, the worst sheet of that size takes some 0.7 s.
 */
function untilOverlongLine(text: string, delimiter: string): string {
  const mark = delimiter.charCodeAt(0)
  let lineStart = 0
  let marks = 0
  for (let at = 0; at < text.length; at += 1) {
    const code = text.charCodeAt(at)
    if (code === 0x0a || code === 0x0d) {
      lineStart = at + 1
      marks = 0
    } else if (code === mark) marks += 1
    if (marks > LINE_AT_MOST.cells || at - lineStart > LINE_AT_MOST.characters)
      return text.slice(0, lineStart)
  }
  return text
}

/** The one of comma, semicolon and tab that stands most often in the first line that says anything. */
function detectDelimiter(text: string): string {
  const start = text.replace(/^\uFEFF/, '').slice(0, 64 * 1024)
  const hint = /^"?sep=([,;\t])"?\s*$/im.exec(start.split(/\r\n|\r|\n/, 1)[0] ?? '')
  if (hint?.[1] !== undefined) return hint[1]
  const line = start.split(/\r\n|\r|\n/).find((candidate) => /[^\s,;"]/.test(candidate)) ?? ''
  const outside = line.replace(/"[^"]*"/g, '')
  const count = (mark: string) => outside.split(mark).length - 1
  return [',', ';', '\t'].reduce((best, mark) => (count(mark) > count(best) ? mark : best))
}

/** `sep=;` on top, which some spreadsheets write and read. */
function isSeparatorHint(record: readonly string[]): boolean {
  return record[0]?.toLowerCase().startsWith('sep=') === true && record.slice(1).every((cell) => cell === '')
}

function readRows(
  records: readonly string[][],
  headingAt: number,
  columns: readonly string[],
  say: Say,
): RawRow[] {
  const raw: RawRow[] = []
  for (let at = headingAt + 1; at < records.length; at += 1) {
    const record = records[at] ?? []
    if (isEmpty(record)) continue
    const row = at + 1
    if (raw.length >= SHEET_LIMITS.rows) {
      say(row, null, TOO_MANY_ROWS)
      break
    }
    if (record.slice(columns.length).some((cell) => cell.trim() !== '')) say(row, null, TOO_MANY_CELLS)
    raw.push({ row, cells: readCells(record, row, columns, say) })
  }
  sayLostZeros(raw, say)
  return raw
}

/** By heading. */
function readCells(
  record: readonly string[],
  row: number,
  columns: readonly string[],
  say: Say,
): Record<string, string> {
  const cells = columns.map((column, place) => {
    const raw = record[place] ?? ''
    if (!VALUES.has(column)) return [column, raw]
    const { text, said } = cleanCell(raw)
    for (const message of [said, damageOf(column, text)]) if (message !== undefined) say(row, column, message)
    return [column, text]
  })
  return Object.fromEntries(cells.filter(([column]) => column !== ''))
}

/** Whose cells are values; a note is whatever it is, as is what stands in the engineer's own columns. */
const VALUES: ReadonlySet<string> = new Set(SHEET_COLUMNS.filter((column) => column !== 'note'))
