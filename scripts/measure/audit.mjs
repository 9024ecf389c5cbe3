// Auditing a ledger of 1,000,000 entries against a bare loop that reads lines and parses them; a report of 1,000 devices.
import { spawn, spawnSync } from 'node:child_process'
import { readFileSync, rmSync } from 'node:fs'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { writeLedger } from './ledgers.mjs'
import { median, processorSeconds } from './processes.mjs'

const PROGRAM = fileURLToPath(new URL('../../dist/server/main.js', import.meta.url))
const ROUNDS = 3
const BARE = `
import { createReadStream } from 'node:fs'
import { createInterface } from 'node:readline'
let entries = 0
for await (const line of createInterface({ input: createReadStream(process.argv[1]) })) if (JSON.parse(line).seq > 0) entries += 1
console.log(entries)`

/** What an audit of a long ledger is asked for; the ledger holds 500,000 pulls by 200 clients. */
const ASKED = {
  'its chain alone (`--check`)': ['--check'],
  'one client in it, with its chain (`--client`)': ['--client', '198.51.100.7'],
  'all of it as a table, with its chain': [],
}

export async function measureAudit(folder) {
  const long = join(folder, 'audit')
  const file = await writeLedger(long, 500_000)
  const runs = Object.entries(ASKED).map(([what, flags]) => ({ what, flags, seconds: [], mebibytes: 0 }))
  const bare = []
  for (let round = 0; round < ROUNDS; round += 1) {
    for (const run of runs) {
      const { seconds, mebibytes } = await watched([PROGRAM, 'audit', long, ...run.flags])
      run.seconds.push(seconds)
      run.mebibytes = Math.max(run.mebibytes, mebibytes)
      // Beside each, since the machine's own pace drifts.
      bare.push((await bareLoop(file)).seconds)
    }
  }
  rmSync(long, { recursive: true })
  const reference = 1_000_000 / median(bare)
  const rows = runs.map(({ what, seconds, mebibytes }) => {
    const ours = 1_000_000 / median(seconds)
    return {
      what: `audit of 1,000,000 entries, ${what}, against a bare read-and-parse loop`,
      ours: `${Math.round(ours / 1000)} k entries/s, at most ${Math.round(mebibytes)} MiB resident`,
      reference: `${Math.round(reference / 1000)} k entries/s`,
      ratio: (ours / reference).toFixed(2),
      aim: '>= 0.5',
    }
  })
  return [...rows, await measureReport(folder)]
}

/** Reading the lines of a ledger and parsing them, without anything else: in seconds, and in seconds of a core. */
export function bareLoop(file) {
  return watched(['--input-type=module', '-e', BARE, file])
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
    let cores = 0
    const look = setInterval(() => {
      const status = readFileSync(`/proc/${child.pid}/status`, 'utf8')
      mebibytes = Math.max(mebibytes, Number(/VmHWM:\s+(\d+)/.exec(status)?.[1] ?? 0) / 1024)
      cores = processorSeconds(child.pid)
    }, 200)
    child.on('error', failed)
    child.on('exit', (status) => {
      clearInterval(look)
      if (status === 0) done({ seconds: (performance.now() - begun) / 1000, cores, mebibytes })
      else failed(new Error(`exit status ${status}`))
    })
  })
}

function timed(work) {
  const begun = performance.now()
  const result = work()
  return { seconds: (performance.now() - begun) / 1000, result }
}
