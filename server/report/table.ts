/** Columns of text for a terminal or a plain file. Cells are made visible; nothing is coloured. */
import { visible } from './visible.ts'

export interface Column<Row> {
  readonly title: string
  readonly align?: 'right'
  readonly cell: (row: Row) => string
}

/** Lines of a table, the head first; no line ends in a space. */
export function tableLines<Row>(columns: readonly Column<Row>[], rows: readonly Row[]): string[] {
  const cells = rows.map((row) => columns.map((column) => visible(column.cell(row))))
  const widths = columns.map((column, at) =>
    Math.max(width(column.title), ...cells.map((line) => width(line[at] ?? ''))),
  )
  const lay = (line: readonly string[]): string =>
    line
      .map((cell, at) => {
        const space = ' '.repeat(Math.max(0, (widths[at] ?? 0) - width(cell)))
        return columns[at]?.align === 'right' ? space + cell : cell + space
      })
      .join('  ')
      .trimEnd()
  return [lay(columns.map((column) => column.title)), ...cells.map(lay)]
}

/** Characters, counted by code point: good enough for names in most scripts. */
function width(text: string): number {
  // Most cells are plain; splitting each into its characters would cost more than the rest of the table.
  return /^[\x20-\x7e]*$/.test(text) ? text.length : [...text].length
}
