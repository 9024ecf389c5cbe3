/** Columns of text for a terminal or a plain file. Cells are made visible; nothing is coloured. */
import { textWidth, wrapped } from '../wording/text-width.ts'
import { shortened, visible } from '../wording/visible.ts'

export interface Column<Row> {
  readonly title: string
  readonly align?: 'right'
  readonly cell: (row: Row) => string
  /** A name: shortened in its middle where the table would be wider than the terminal. */
  readonly name?: true
  /** On a terminal it stands on lines below its row: long, or seldom looked at. */
  readonly below?: true
  /** Of a stacked record, on its own first line. */
  readonly head?: true
}

/** Narrower than this, a long record in one line is not to be read. */
const TABLE_FROM = 100
/** What is left of a name that is shortened. */
const SHORTEST_NAME = 16
const GAP = '  '
/** Of the members of a stacked record. */
const INDENT = 2

/**
 * Lines of a table, the head first; no line ends in a space. `columns`: the terminal's, which no line exceeds; a narrow
 * one (below `tableFrom`) gets each record stacked. Without it the table is as wide as it needs to be, for a file or
 * another program.
 */
export function tableLines<Row>(
  columns: readonly Column<Row>[],
  rows: readonly Row[],
  width?: number,
  tableFrom = TABLE_FROM,
): string[] {
  if (width === undefined) return laidOut(columns, [titlesOf(columns), ...cellsOf(columns, rows)])
  const across = columns.filter(({ below }) => below !== true)
  const fitted = width < tableFrom ? undefined : fittedTable(across, rows, width)
  if (fitted === undefined) return stackedLines(columns, rows, width)
  const under = columns.filter(({ below }) => below === true)
  const [head = '', ...lines] = fitted
  return [head, ...rows.flatMap((row, at) => [lines[at] ?? '', ...stackedLines(under, [row], width)])]
}

function titlesOf<Row>(columns: readonly Column<Row>[]): string[] {
  return columns.map(({ title }) => title)
}

function cellsOf<Row>(columns: readonly Column<Row>[], rows: readonly Row[]): string[][] {
  return rows.map((row) => columns.map((column) => visible(column.cell(row))))
}

/** Undefined where not even short names make it fit. */
function fittedTable<Row>(
  columns: readonly Column<Row>[],
  rows: readonly Row[],
  width: number,
): string[] | undefined {
  const lines = [titlesOf(columns), ...cellsOf(columns, rows)]
  const widths = widthsOf(columns.length, lines)
  let over = widths.reduce((sum, each) => sum + each + GAP.length, -GAP.length) - width
  while (over > 0) {
    const names = [...widths.keys()].filter(
      (at) => columns[at]?.name === true && (widths[at] ?? 0) > SHORTEST_NAME,
    )
    const widest = names.sort((a, b) => (widths[b] ?? 0) - (widths[a] ?? 0))[0]
    if (widest === undefined) return undefined
    widths[widest] = (widths[widest] ?? 0) - 1
    over -= 1
  }
  const short = lines.map((line) => line.map((cell, at) => shortened(cell, widths[at] ?? 0)))
  return laidOut(columns, short)
}

function laidOut<Row>(columns: readonly Column<Row>[], lines: readonly (readonly string[])[]): string[] {
  const widths = widthsOf(columns.length, lines)
  return lines.map((line) =>
    line
      .map((cell, at) => {
        const units = (widths[at] ?? 0) + cell.length - textWidth(cell)
        return columns[at]?.align === 'right' ? cell.padStart(units) : cell.padEnd(units)
      })
      .join(GAP)
      .trimEnd(),
  )
}

function widthsOf(columns: number, lines: readonly (readonly string[])[]): number[] {
  return Array.from({ length: columns }, (_none, at) =>
    lines.reduce((most, line) => Math.max(most, textWidth(line[at] ?? '')), 0),
  )
}

/**
 * Records one below the other, a line a member: the record's own line first; of the other columns those that say
 * something stand below it.
 */
function stackedLines<Row>(columns: readonly Column<Row>[], rows: readonly Row[], width: number): string[] {
  const heads = columns.filter(({ head }) => head === true)
  const members = columns.filter(({ head }) => head !== true)
  const labels = Math.max(0, ...members.map(({ title }) => textWidth(title)))
  return rows.flatMap((row, at) => [
    ...(at > 0 && heads.length > 0 ? [''] : []),
    ...(heads.length === 0
      ? []
      : wrapped(heads.map(({ cell }) => visible(cell(row))).join('  '), width, INDENT)),
    ...members.flatMap(({ title, cell }) => memberLines(title, visible(cell(row)), labels, width)),
  ])
}

function memberLines(title: string, value: string, labels: number, width: number): string[] {
  if (value === '' || value === '-') return []
  const indent = INDENT + (title === '' ? 0 : labels + 2)
  const lead = title === '' ? '' : `${title.padEnd(labels)}  `
  const room = width - indent
  // A digest or a path that does not fit beside its label stands below it.
  const words = value.split(' ')
  if (lead !== '' && words.some((word) => textWidth(word) > room)) {
    return [`  ${title}`, ...grouped(value, width - 2 * INDENT).map((line) => `    ${line}`)]
  }
  return wrapped(`  ${lead}${value}`, width, indent)
}

/** A digest that is wider than the terminal is written in groups of eight digits; what else is, stays whole. */
function grouped(value: string, room: number): string[] {
  const digits = /^[0-9a-f]{32,128}$/.test(value) && value.length > room
  return wrapped(digits ? (value.match(/.{8}/g) ?? []).join(' ') : value, room)
}
