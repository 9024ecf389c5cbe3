// `npm run demo`: one branch of an invented county's libraries gets new images tonight. Simulated devices pull,
// pause, break off, pull what is not theirs and are refused, and each of them gets to its end. Everything happens on
// loopback, in a folder that is removed afterwards; the record of the evening is kept.
import { spawn } from 'node:child_process'
import { mkdirSync, mkdtempSync, rmSync } from 'node:fs'
import { createServer } from 'node:net'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { evening } from './evening.mjs'
import { stage } from './staging.mjs'

const PROGRAM = fileURLToPath(new URL('../../dist/server/main.js', import.meta.url))
const once = process.argv.includes('--once')
const place = mkdtempSync(join(tmpdir(), 'fetchproof-demo-'))
const folder = join(place, 'hollow-lane')
const report = join(place, 'visit-report.html')
mkdirSync(folder)
stage(folder)
const port = await freePort(8080, '0.0.0.0')

console.log(`
Tonight: eight devices of the Hollow Lane branch, five images, one visit sheet. In about a minute you will see

  a held image         camera-firmware.bin is a login page that somebody saved; the camera is refused until it is replaced
  a stall              hollow-lane-sw2 erases its flash half-way: "stalled", with since when
  a pull that breaks   hollow-lane-sw3 loses its connection and resumes
  a wrong image        the desk phone pulls the radio's image; it stays under "needs attention" until it has its own
  a printed digest     hollow-lane-sw1 prints the digest of what it stored, and becomes "confirmed"
  the end              all are done; what is left is to compare digests and to save the report

Where to look: the bench page (its address follows), its tally and the rows of the devices; below the lines here, the
tally and what needs attention. At the end, the first page of the record and the card of hollow-lane-sw1.
`)

const settings = ['--settle-ms', 500, '--settle-unsure-ms', 1500, '--stalled-ms', 2000]
const pagePort = once ? 0 : await freePort(8081, '127.0.0.1')
const server = spawn(
  process.execPath,
  [PROGRAM, 'serve', folder, '--port', port, '--page-port', pagePort, ...settings].map(String),
  { stdio: ['ignore', 'inherit', 'inherit'] },
)
const gone = new Promise((resolve) => server.on('exit', resolve))
// Ctrl-C goes to both: the server ends, and the record is still made.
process.on('SIGINT', () => undefined)

const failed = await Promise.race([gone, evening({ folder, port, run })])
if (once) server.kill('SIGINT')
await gone
if (failed > 0) process.exitCode = failed
else await printRecord()
rmSync(folder, { recursive: true, force: true })

async function printRecord() {
  console.log('\nWhat stands on record (fetchproof audit --plan):\n')
  await run('inherit', 'audit', folder, '--plan')
  await run('ignore', 'report', folder, '--output', report)
  console.log(`\nThe record of the evening, to print and sign:\n  ${report}`)
}

/** A command beside the server, as a second window would run it. */
function run(stdio, ...args) {
  return new Promise((done) => spawn(process.execPath, [PROGRAM, ...args], { stdio }).on('exit', done))
}

/** `wanted`, or another one where that is taken. */
function freePort(wanted, address) {
  return new Promise((found) => {
    const probe = createServer().listen(wanted, address, () => probe.close(() => found(wanted)))
    probe.on('error', () => {
      const other = createServer().listen(0, '127.0.0.1', () => {
        const { port: free } = other.address()
        other.close(() => found(free))
      })
    })
  })
}
