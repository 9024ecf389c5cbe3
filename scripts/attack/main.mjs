// `npm run attack`: what good devices notice while others misbehave; some two minutes, over loopback. `--long`: each attack
// for a minute, and the whole past. `--only NAME` runs one attack, `--write` puts the table into DEVELOPERS.md. Exit status
// 1 when an aim is missed.
import { mkdtempSync, rmSync } from 'node:fs'
import { loadavg, tmpdir } from 'node:os'
import { join } from 'node:path'
import { parseArgs } from 'node:util'
import { machine, writeTable } from '../measure/table.mjs'
import { ATTACKS } from './attacks.mjs'
import { measureAttack } from './measured-attack.mjs'
import { measurePast } from './past.mjs'

const { values } = parseArgs({
  options: { long: { type: 'boolean' }, write: { type: 'boolean' }, only: { type: 'string' } },
})
const seconds = values.long ? 60 : 8
const pulls = values.long ? 400_000 : 40_000
const folder = mkdtempSync(join(tmpdir(), 'fetchproof-attack-'))
const load = loadavg()[0].toFixed(1)
const rows = []
let alone
try {
  const chosen = ATTACKS.filter(({ kind }) => kind.includes(values.only ?? ''))
  for (const attack of chosen.length > 0 ? [undefined, ...chosen] : []) {
    console.error(`${attack?.kind ?? 'alone'} …`)
    const row = await measureAttack(folder, attack, Math.max(seconds, attack?.seconds ?? 0), alone)
    alone ??= row.figures
    rows.push(row)
  }
  if (values.only === undefined || 'past'.includes(values.only)) {
    console.error('past …')
    rows.push(...(await measurePast(folder, pulls)))
  }
} finally {
  rmSync(folder, { recursive: true, force: true })
}
const table = [
  `Measured ${new Date().toISOString().slice(0, 10)} with \`npm run attack${values.long ? ' -- --long' : ''}\` on ${machine()}; load before it ${load}.`,
  'Attackers, good devices (ten pulls of 64 KiB a second, each from an address of its own) and server share the cores.',
  '',
  '| attack | first byte, median / 99th percentile | last byte to end of stream | complete | memory, open files, ledger | missed |',
  '| --- | --- | --- | --- | --- | --- |',
  ...rows.map(({ cells, missed }) => `| ${cells.join(' | ')} | ${missed.join('; ')} |`),
].join('\n')
console.log(table)
if (values.write) writeTable('attacked', table)
if (rows.some(({ missed }) => missed.length > 0)) process.exitCode = 1
