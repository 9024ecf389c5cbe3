/** Columns of text for a terminal or a plain file. Cells are made visible; nothing is coloured. */
import { isPlain, visible } from '../wording/visible.ts'

export interface Column<Row> {
  readonly title: string
  readonly align?: 'right'
  readonly cell: (row: Row) => string
}

/** Lines of a table, the head first; no line ends in a space. */
export function tableLines<Row>(columns: readonly Column<Row>[], rows: readonly Row[]): string[] {
  const titles = columns.map((column) => column.title)
  const lines = [titles, ...rows.map((row) => columns.map((column) => visible(column.cell(row))))]
  const widths = columns.map((_column, at) =>
    lines.reduce((most, line) => Math.max(most, width(line[at] ?? '')), 0),
  )
  return lines.map((line) =>
    line
      .map((cell, at) => {
        const units = (widths[at] ?? 0) + cell.length - width(cell)
        return columns[at]?.align === 'right' ? cell.padStart(units) : cell.padEnd(units)
      })
      .join('  ')
      .trimEnd(),
  )
}

/** Characters, counted by code point: good enough for names in most scripts. */
function width(text: string): number {
  return isPlain(text) ? text.length : [...text].length
}
