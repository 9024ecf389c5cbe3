/**
 * The visit sheet: which device should get which image. CSV by RFC 4180, as spreadsheets save it: BOM or UTF-16,
 * comma, semicolon or tab, quoted line breaks, empty columns behind. Whatever stands in it, reading never throws:
 * what is wrong is named by row and column, with what to do, and the good rows count.
 */
import { parse } from 'csv-parse/sync'
import { cleanCell, damageOf, saidOfLostZeros } from './sheet-cells.ts'
import { checkRows } from './sheet-check.ts'
import { readHeadings } from './sheet-headings.ts'
import { type RawRow, SHEET_COLUMNS, SHEET_LIMITS, type Sheet, type SheetProblem } from './sheet-rows.ts'
import { decodeSheet } from './sheet-text.ts'

/** Empty lines count as rows of a spreadsheet; this many records are looked at. */
const MOST_RECORDS = SHEET_LIMITS.rows * 2
/** Of one line of the file; ten times the columns that are read. */
const LINE_AT_MOST = { cells: SHEET_LIMITS.columns * 10, characters: 256 * 1024 }

/** Reads a sheet. Bounded by SHEET_LIMITS; never throws on content. */
export function parseSheet(bytes: Uint8Array): Sheet {
  if (bytes.length > SHEET_LIMITS.bytes) {
    const size = `${SHEET_LIMITS.bytes / 1024 / 1024} MiB`
    return failed({
      row: 0,
      column: null,
      message: `The sheet is larger than ${size}. Keep only the rows of this visit.`,
    })
  }
  const { text, guessedEncoding } = decodeSheet(bytes)
  const { records, cutAt } = readRecords(text)
  const headingAt = records.findIndex((record) => !isEmpty(record) && !isSeparatorHint(record))
  const heading = records[headingAt]
  if (heading === undefined) return failed(cutAt ?? EMPTY)
  const problems: SheetProblem[] = [
    ...(guessedEncoding ? [NOT_UTF8] : []),
    ...(cutAt === undefined ? [] : [cutAt]),
  ]
  const columns = readHeadings(heading, headingAt + 1, problems)
  const hasDevice = columns.includes('device')
  if (!hasDevice) {
    const message = `There is no column device. The first row must hold the headings: ${SHEET_COLUMNS.join(', ')}; only device is needed.`
    problems.push({ row: headingAt + 1, column: 'device', message })
  }
  const rows = hasDevice ? checkRows(readRows(records, headingAt, columns, problems), problems) : []
  return { rows, columns: columns.filter((name) => name !== ''), problems: inOrder(problems) }
}

const EMPTY: SheetProblem = {
  row: 1,
  column: null,
  message: 'The sheet is empty. Give it a heading row with at least the column device.',
}
const NOT_UTF8: SheetProblem = {
  row: 0,
  column: null,
  message: 'The sheet is not saved as UTF-8, so that accented letters may be wrong. Save it as "CSV UTF-8".',
}

function failed(problem: SheetProblem): Sheet {
  return { rows: [], columns: [], problems: [problem] }
}

/** By row; the first SHEET_LIMITS.problems and how many more there are. */
function inOrder(problems: readonly SheetProblem[]): SheetProblem[] {
  const sorted = problems.toSorted((a, b) => a.row - b.row)
  const more = sorted.length - SHEET_LIMITS.problems
  if (more <= 0) return sorted
  const message = `${more} more problems are not shown. Correct these first.`
  return [...sorted.slice(0, SHEET_LIMITS.problems), { row: 0, column: null, message }]
}

const TOO_LONG: SheetProblem = {
  row: MOST_RECORDS,
  column: null,
  message: `Rows after number ${MOST_RECORDS} are not read, empty ones counted. Remove the empty rows.`,
}

function isEmpty(record: readonly string[]): boolean {
  return record.every((cell) => cell.trim() === '')
}

/** Records in order, empty ones too, so that their places are the spreadsheet's row numbers. */
function readRecords(whole: string): { records: string[][]; cutAt: SheetProblem | undefined } {
  const records: string[][] = []
  const delimiter = detectDelimiter(whole)
  const text = untilOverlongLine(whole, delimiter)
  const options = {
    bom: true,
    delimiter,
    relax_column_count: true,
    relax_quotes: true,
    skip_empty_lines: false,
  }
  try {
    parse(text, {
      ...options,
      to: MOST_RECORDS,
      onRecord: (record: string[]) => {
        records.push(record)
        return null
      },
    })
    if (text.length < whole.length) return { records, cutAt: overlong(records.length + 1) }
    return { records, cutAt: records.length < MOST_RECORDS ? undefined : TOO_LONG }
  } catch {
    const row = records.length + 1
    const message =
      'A quotation mark opens here and is not closed; this row and those after it are not read. Close it, or write a quotation mark within a cell twice ("").'
    return { records, cutAt: { row, column: null, message } }
  }
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

function overlong(row: number): SheetProblem {
  const message =
    'This row is longer than any of a visit sheet; it and those after it are not read. Correct or remove it.'
  return { row, column: null, message }
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
  problems: SheetProblem[],
): RawRow[] {
  const raw: RawRow[] = []
  for (let at = headingAt + 1; at < records.length; at += 1) {
    const record = records[at] ?? []
    if (isEmpty(record)) continue
    const row = at + 1
    if (raw.length >= SHEET_LIMITS.rows) {
      problems.push({
        row,
        column: null,
        message: `Only the first ${SHEET_LIMITS.rows} rows are read. Split the sheet into several folders.`,
      })
      break
    }
    if (record.slice(columns.length).some((cell) => cell.trim() !== '')) {
      problems.push({
        row,
        column: null,
        message:
          'This row has more cells than there are headings; put cells that hold the separator into quotation marks, or add a heading.',
      })
    }
    raw.push({ row, cells: readCells(record, row, columns, problems) })
  }
  problems.push(...saidOfLostZeros(raw))
  return raw
}

/** By heading. */
function readCells(
  record: readonly string[],
  row: number,
  columns: readonly string[],
  problems: SheetProblem[],
): Record<string, string> {
  const named = columns.flatMap((column, place): [string, string][] => {
    const raw = record[place] ?? ''
    if (column === '') return []
    if (!VALUES.has(column)) return [[column, raw]]
    const { text, said } = cleanCell(raw)
    for (const message of [said, damageOf(column, text)]) {
      if (message !== undefined) problems.push({ row, column, message })
    }
    return [[column, text]]
  })
  return Object.fromEntries(named)
}

/** Whose cells are values; a note is whatever it is, as is what stands in the engineer's own columns. */
const VALUES: ReadonlySet<string> = new Set(SHEET_COLUMNS.filter((column) => column !== 'note'))
