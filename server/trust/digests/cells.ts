/** Rows of tables: Markdown's, tab-separated ones (as pages are pasted), and CSV (RFC 4180). */
import { isFileLike, type NamesIn, namesIn } from './file-names.ts'

const DELIMITERS = ['|', '\t', ',', ';'] as const

/** The cells of a line in which a digest (`start` to `end`) fills one; undefined when it is no row. */
export function cellsOf(line: string, start: number, end: number): readonly string[] | undefined {
  const before = MARGIN_BEFORE.exec(line.slice(Math.max(0, start - LONGEST_MARGIN), start))
  const after = MARGIN_AFTER.exec(line.slice(end, end + LONGEST_MARGIN))
  if (before === null || after === null) return undefined
  const isTabbed = /\t/.test(before[0] + after[0])
  const delimiter = isTabbed ? '\t' : before[1] || after[1]
  const agree = isTabbed || before[1] === '' || after[1] === '' || before[1] === after[1]
  return delimiter && agree ? splitAt(delimiter, line) : undefined
}

const LONGEST_MARGIN = 96
const MARGIN_BEFORE = /(^|[|,;\t])["'`*\s]*$/
const MARGIN_AFTER = /^["'`*\s]*($|[|,;\t])/

/** The cells of the line above such rows, when it has as many. */
export function headingCells(line: string, row: readonly string[]): readonly string[] {
  const headings = DELIMITERS.map((delimiter) => splitAt(delimiter, line.replace(/^%+ /, '')))
  return headings.find((cells) => cells.length === row.length) ?? []
}

/** A line end within quotes ends the line all the same; quotes that do not close are no quotes. */
function splitAt(delimiter: string, line: string): readonly string[] {
  const parts = line.split(delimiter)
  if (!line.includes('"')) return parts
  const cells: string[] = []
  let cell = ''
  let isOpen = false
  for (const part of parts) {
    cell = isOpen ? cell + delimiter + part : part
    if (part.split('"').length % 2 === 0) isOpen = !isOpen
    if (!isOpen) cells.push(/^".*"$/s.test(cell) ? cell.slice(1, -1).replaceAll('""', '"') : cell)
  }
  return isOpen ? parts : cells
}

const NAME_HEADING = /^\W*(?:file|name|path|image|url|download)/i

/** In the column that is headed so, else each cell that looks like a file. `taken`: cells of digests. */
export function namesInRow(
  cells: readonly string[],
  heading: readonly string[],
  taken: ReadonlySet<number>,
): readonly NamesIn[] {
  const found = cells.map((cell, at) => (taken.has(at) ? undefined : namesIn(cell)))
  const headed = heading.findIndex((cell, at) => NAME_HEADING.test(cell) && !taken.has(at))
  const name = cells[headed]?.trim() ?? ''
  if (name !== '') {
    const certain = isFileLike(name) || /file|path/i.test(heading[headed] ?? '')
    return [{ names: found[headed]?.names ?? [name], certain }]
  }
  const named = found.filter((each) => each !== undefined)
  const files = named.filter(({ certain }) => certain)
  return files.length > 0 ? files : named.slice(0, 1)
}
