// npm run soak -- --minutes N: the built program under a steady mixed load. Prints a line of figures a minute, and
// fails when the last third of the time is not as flat as the middle third, or a client did not get what it should.
import { spawn } from 'node:child_process'
import { randomBytes } from 'node:crypto'
import { mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { createServer } from 'node:net'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { createInterface } from 'node:readline'
import { setTimeout as pause } from 'node:timers/promises'
import { fileURLToPath } from 'node:url'
import { parseArgs } from 'node:util'
import { heapOf } from './heap.mjs'
import { LARGE_BYTES, SMALL_BYTES, startLoad } from './load.mjs'
import { flatness, median } from './slope.mjs'

const PROGRAM = fileURLToPath(new URL('../../dist/server/main.js', import.meta.url))
const SAMPLE_MS = 2_000
const IMAGES = 2

/**
 * How much a figure may rise from the middle third to the last: a share of it, and at least so much. What is kept on
 * purpose grows with the load and is allowed for: the records of pulls, which page and plan show, stay in memory.
 */
const FIGURES = {
  rssMiB: { title: 'RSS MiB', tolerance: { share: 0.1, least: 20 } },
  heapMiB: { title: 'heap MiB', tolerance: { share: 0.05, least: 2 }, keptKiBAPull: 3 },
  buffersMiB: { title: 'buffers MiB', tolerance: { share: 0.1, least: 15 } },
  openFiles: { title: 'open files', tolerance: { share: 0.15, least: 6 } },
  firstByteMs: { title: 'first byte ms', tolerance: { share: 1, least: 5 } },
}

const { values } = parseArgs({ options: { minutes: { type: 'string', default: '10' } } })
const minutes = Number(values.minutes)
if (!(minutes >= 1)) {
  console.error(`--minutes takes a number from 1 on, not ${JSON.stringify(values.minutes)}.`)
  process.exit(2)
}
if (process.platform !== 'linux') {
  console.error('The soak reads its figures from /proc and pulls from many loopback addresses: Linux only.')
  process.exit(2)
}

const folder = mkdtempSync(join(tmpdir(), 'fetchproof-soak-'))
let served
try {
  writeFileSync(join(folder, 'large.bin'), Buffer.concat([Buffer.from([0x80]), randomBytes(LARGE_BYTES - 1)]))
  writeFileSync(join(folder, 'small.bin'), Buffer.concat([Buffer.from([0x80]), randomBytes(SMALL_BYTES - 1)]))
  served = await serve(folder)
  process.exitCode = await soak(served)
} finally {
  served?.child.kill('SIGKILL')
  rmSync(folder, { recursive: true, force: true, maxRetries: 3 })
}

async function soak({ child, port, pagePort, inspector, end }) {
  const heap = await heapOf(inspector)
  const load = startLoad({ port, pagePort, folder })
  const samples = Object.fromEntries(Object.keys(FIGURES).map((name) => [name, []]))
  const pulls = () => load.counts.whole + load.counts.resumed + load.counts.paused
  console.log(['minute', ...Object.values(FIGURES).map(({ title }) => title), 'pulls', 'page MB'].join('\t'))
  const begun = performance.now()
  for (let minute = 1; minute <= minutes; minute += 1) {
    const rss = []
    const files = []
    while (performance.now() - begun < minute * 60_000) {
      rss.push(residentMebibytes(child.pid))
      files.push(readdirSync(`/proc/${child.pid}/fd`).length)
      await pause(SAMPLE_MS)
    }
    const now = {
      rssMiB: median(rss),
      heapMiB: await heap.usedMebibytes(),
      buffersMiB: await heap.bufferMebibytes(),
      openFiles: median(files),
      firstByteMs: median(load.takeLatencies()),
    }
    const kept = pulls()
    for (const [name, value] of Object.entries(now)) {
      const keptMiB = ((FIGURES[name].keptKiBAPull ?? 0) * kept) / 1024
      samples[name].push({ minute, value: value - keptMiB })
    }
    const figures = Object.values(now).map((value) => value.toFixed(1))
    console.log([minute, ...figures, kept, (load.counts.pageBytes / 1e6).toFixed(1)].join('\t'))
  }
  await load.stop()
  heap.close()
  const faults = [...load.counts.faults.slice(0, 10), ...unflat(samples)]
  child.kill('SIGINT')
  const status = await end
  if (status !== 0) faults.push(`the server ended with ${status}`)
  const { faults: _, ...counts } = load.counts
  console.log(JSON.stringify(counts))
  for (const fault of faults) console.error(`FAULT: ${fault}`)
  return faults.length === 0 ? 0 : 1
}

function unflat(samples) {
  const faults = []
  for (const [name, { title, tolerance }] of Object.entries(FIGURES)) {
    const { before, after, perMinute, allowed, flat } = flatness(samples[name], tolerance)
    const said = `${title}: ${before.toFixed(1)} in the middle third, ${after.toFixed(1)} in the last (${perMinute.toFixed(2)} a minute; ${allowed.toFixed(1)} allowed)`
    console.log(said)
    if (!flat) faults.push(`not flat: ${said}`)
  }
  return faults
}

async function serve(staging) {
  const port = await freePort()
  const flags = ['--listen', '127.0.0.1', '--port', String(port), '--page-port', '0', '--format', 'json']
  const times = ['--settle-ms', '200', '--settle-unsure-ms', '500', '--rescan-ms', '2000']
  const child = spawn(
    process.execPath,
    ['--inspect=127.0.0.1:0', PROGRAM, 'serve', staging, ...flags, ...times],
    {
      stdio: ['ignore', 'pipe', 'pipe'],
    },
  )
  const end = new Promise((ended) => child.on('exit', ended))
  const inspected = new Promise((found) => {
    createInterface({ input: child.stderr }).on('line', (line) => {
      const inspector = /Debugger listening on (ws:\S+)/.exec(line)?.[1]
      if (inspector !== undefined) found(inspector)
      else if (!/^For help/.test(line) && !/^Debugger/.test(line)) console.error(line)
    })
  })
  let known = 0
  const ready = new Promise((all, failed) => {
    createInterface({ input: child.stdout }).on('line', (line) => {
      const entry = JSON.parse(line)
      if (entry.kind === 'image') known += 1
      if (known === IMAGES) all()
    })
    void end.then((status) => failed(new Error(`the server ended with ${status}`)))
  })
  await ready
  const lock = join(staging, '.fetchproof', 'lock.json')
  let pagePort = null
  while (pagePort === null) {
    pagePort = JSON.parse(readFileSync(lock, 'utf8')).pagePort
    if (pagePort === null) await pause(50)
  }
  return { child, port, pagePort, inspector: await inspected, end }
}

function freePort() {
  return new Promise((found) => {
    const server = createServer().listen(0, '127.0.0.1', () => {
      const { port } = server.address()
      server.close(() => found(port))
    })
  })
}

function residentMebibytes(pid) {
  return Number(/VmRSS:\s+(\d+) kB/.exec(readFileSync(`/proc/${pid}/status`, 'utf8'))[1]) / 1024
}
