// Auditing a ledger of 1,000,000 entries against a bare loop that reads lines and parses them; a report of 1,000 devices.
import { spawn, spawnSync } from 'node:child_process'
import { readFileSync, rmSync } from 'node:fs'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { writeLedger } from './ledgers.mjs'
import { median } from './processes.mjs'

const PROGRAM = fileURLToPath(new URL('../../dist/server/main.js', import.meta.url))
const ROUNDS = 2
const BARE = `
import { createReadStream } from 'node:fs'
import { createInterface } from 'node:readline'
let entries = 0
for await (const line of createInterface({ input: createReadStream(process.argv[1]) })) if (JSON.parse(line).seq > 0) entries += 1
console.log(entries)`

export async function measureAudit(folder) {
  const long = join(folder, 'audit')
  const file = await writeLedger(long, 500_000)
  const ours = []
  const bare = []
  let resident = 0
  for (let round = 0; round < ROUNDS; round += 1) {
    const run = await watched([PROGRAM, 'audit', long])
    ours.push(run.seconds)
    resident = Math.max(resident, run.mebibytes)
    bare.push((await watched(['--input-type=module', '-e', BARE, file])).seconds)
  }
  rmSync(long, { recursive: true })
  const [a, b] = [1_000_000 / median(ours), 1_000_000 / median(bare)]
  return [
    {
      what: 'audit of 1,000,000 entries with its chain, against a bare read-and-parse loop',
      ours: `${Math.round(a / 1000)} k entries/s, at most ${Math.round(resident)} MiB resident`,
      reference: `${Math.round(b / 1000)} k entries/s`,
      ratio: (a / b).toFixed(2),
      aim: '>= 0.5',
    },
    await measureReport(folder),
  ]
}

async function measureReport(folder) {
  const visit = join(folder, 'report')
  await writeLedger(visit, 1_000, { clients: 1_000 })
  const run = timed(() =>
    spawnSync(process.execPath, [PROGRAM, 'report', visit, '--output', join(visit, 'report.html')]),
  )
  if (run.result.status !== 0) throw new Error(run.result.stderr.toString())
  rmSync(visit, { recursive: true })
  return {
    what: 'report of 1,000 pulls as HTML',
    ours: `${run.seconds.toFixed(1)} s`,
    reference: '',
    ratio: '',
    aim: '<= 5 s',
  }
}

/** Runs Node.js to its end; the highest resident memory as the system keeps it (VmHWM, proc(5)). */
function watched(args) {
  return new Promise((done, failed) => {
    const begun = performance.now()
    const child = spawn(process.execPath, args, { stdio: ['ignore', 'ignore', 'inherit'] })
    let mebibytes = 0
    const look = setInterval(() => {
      const status = readFileSync(`/proc/${child.pid}/status`, 'utf8')
      mebibytes = Math.max(mebibytes, Number(/VmHWM:\s+(\d+)/.exec(status)?.[1] ?? 0) / 1024)
    }, 200)
    child.on('error', failed)
    child.on('exit', (status) => {
      clearInterval(look)
      if (status === 0) done({ seconds: (performance.now() - begun) / 1000, mebibytes })
      else failed(new Error(`exit status ${status}`))
    })
  })
}

function timed(work) {
  const begun = performance.now()
  const result = work()
  return { seconds: (performance.now() - begun) / 1000, result }
}
