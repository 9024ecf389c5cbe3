/** The table at the end of a truth run: what kind of device, how many, and what the ledger says of them. */
import type { DeviceVerdict } from './comparison.ts'

const COLUMNS = [
  'devices',
  'hold all',
  'complete',
  'unconfirmed',
  'incomplete',
  'no pull',
  'wrong claims',
] as const
type Row = Record<(typeof COLUMNS)[number], number>

export function tableOf(verdicts: readonly DeviceVerdict[]): string[] {
  const rows = new Map<string, Row>()
  for (const verdict of verdicts) {
    for (const name of [verdict.device.behaviour, 'all']) {
      const row = rows.get(name) ?? (Object.fromEntries(COLUMNS.map((column) => [column, 0])) as Row)
      rows.set(name, row)
      row.devices += 1
      if (verdict.holdsWhole) row['hold all'] += 1
      if (verdict.state !== 'running') row[verdict.state] += 1
      row['wrong claims'] += verdict.wrongClaims
    }
  }
  const all = rows.get('all')
  rows.delete('all')
  const names = [...rows.keys()].sort((a, b) => a.localeCompare(b))
  if (all !== undefined) rows.set('all', all)
  const width = Math.max(9, ...names.map((name) => name.length))
  const line = (name: string, cells: readonly (string | number)[]): string =>
    [name.padEnd(width), ...cells.map((cell, at) => String(cell).padStart(COLUMNS[at]?.length ?? 0))].join(
      '  ',
    )
  return [
    line('behaviour', COLUMNS),
    ...[...names, 'all'].map((name) => {
      const row = rows.get(name)
      return line(name, row === undefined ? [] : COLUMNS.map((column) => row[column]))
    }),
  ]
}
