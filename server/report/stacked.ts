/** Records stacked one below the other, a line a member: what a narrow terminal shows instead of a table. */
import { textWidth, wrapped } from '../wording/text-width.ts'
import { visible } from '../wording/visible.ts'
import type { Column } from './table.ts'

const INDENT = 2

/** The record's own line first; of the other columns those that say something stand below it. */
export function stackedLines<Row>(
  columns: readonly Column<Row>[],
  rows: readonly Row[],
  width: number,
): string[] {
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
