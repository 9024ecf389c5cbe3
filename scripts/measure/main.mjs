// `npm run measure`: performance as ratios within one run. `--write` puts the table into DEVELOPERS.md.
// `--only NAME` runs one part.
import { mkdtempSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { measureAudit } from './audit.mjs'
import { measureChecks } from './checks.mjs'
import { measureDigesting } from './digesting.mjs'
import { measureFirstByte } from './first-byte.mjs'
import { measureMemory } from './memory.mjs'
import { measurePage } from './page.mjs'
import { measurePulls } from './pulls.mjs'
import { machine, writeTable } from './table.mjs'
import { measureTftp } from './tftp.mjs'
import { measureThroughput } from './throughput.mjs'

const PARTS = {
  throughput: measureThroughput,
  digesting: measureDigesting,
  memory: measureMemory,
  'first-byte': measureFirstByte,
  checks: measureChecks,
  page: measurePage,
  pulls: measurePulls,
  tftp: measureTftp,
  audit: measureAudit,
}

const args = process.argv.slice(2)
const only = args.includes('--only') ? args[args.indexOf('--only') + 1] : undefined
const folder = mkdtempSync(join(tmpdir(), 'fetchproof-measure-'))
const rows = []
try {
  for (const [name, measure] of Object.entries(PARTS)) {
    if (only !== undefined && only !== name) continue
    console.error(`measuring ${name} …`)
    rows.push(...(await measure(folder)))
  }
} finally {
  rmSync(folder, { recursive: true, force: true })
}
const table = [
  `Measured ${new Date().toISOString().slice(0, 10)} with \`npm run measure\` on ${machine()}.`,
  '',
  '| what | here | reference | ratio | aim |',
  '| --- | --- | --- | --- | --- |',
  ...rows.map((row) => `| ${row.what} | ${row.ours} | ${row.reference} | ${row.ratio} | ${row.aim} |`),
].join('\n')
console.log(table)
if (args.includes('--write')) writeTable('measured', table)
