// Child processes of a measurement, and images to measure with.
import { spawn } from 'node:child_process'
import { randomBytes } from 'node:crypto'
import { closeSync, mkdirSync, openSync, readFileSync, writeFileSync, writeSync } from 'node:fs'
import { createServer } from 'node:net'
import { devNull } from 'node:os'
import { createInterface } from 'node:readline'
import { fileURLToPath } from 'node:url'

const here = (name) => fileURLToPath(new URL(name, import.meta.url))
const PROGRAM = here('../../dist/server/main.js')

/** Writes a file of random bytes, `mebibytes` long. */
export function writeImage(file, mebibytes) {
  const descriptor = openSync(file, 'w')
  for (let at = 0; at < mebibytes; at += 1) writeSync(descriptor, randomBytes(1024 * 1024))
  closeSync(descriptor)
}

export function writeBytes(file, bytes) {
  writeFileSync(file, randomBytes(bytes))
}

/** The last line that a process prints before it ends. */
export function lastLine(child) {
  let text = ''
  child.stdout.setEncoding('utf8').on('data', (more) => {
    text += more
  })
  return new Promise((known) => child.on('close', () => known(text.trimEnd().split('\n').at(-1))))
}

function lines(child) {
  const waiting = []
  const seen = []
  createInterface({ input: child.stdout }).on('line', (line) => {
    const next = waiting.findIndex(({ wanted }) => wanted(line))
    if (next === -1) seen.push(line)
    else waiting.splice(next, 1)[0].found(line)
  })
  return (wanted = () => true) =>
    new Promise((found) => {
      const at = seen.findIndex(wanted)
      if (at === -1) waiting.push({ wanted, found })
      else found(seen.splice(at, 1)[0])
    })
}

export function freePort() {
  return new Promise((found) => {
    const server = createServer().listen(0, '127.0.0.1', () => {
      const { port } = server.address()
      server.close(() => found(port))
    })
  })
}

/** Serves a folder with the built program; resolves when `images` images are ready. `line` waits for an entry. */
export async function serve(folder, images, flags = []) {
  mkdirSync(folder, { recursive: true })
  const port = await freePort()
  const settle = ['--settle-ms', '50', '--settle-unsure-ms', '50']
  const args = [
    'serve',
    folder,
    '--listen',
    '127.0.0.1',
    '--port',
    port,
    '--page-port',
    '0',
    '--format',
    'json',
    ...settle,
    ...flags,
  ]
  const child = spawn(process.execPath, ['--import', here('loop-delay.mjs'), PROGRAM, ...args.map(String)], {
    stdio: ['ignore', 'pipe', 'inherit', 'ipc'],
  })
  const next = lines(child)
  for (let at = 0; at < images; at += 1) await next((line) => line.includes('"kind":"image"'))
  return { port, pid: child.pid, child, line: next, stop: () => stop(child) }
}

export async function referenceServer(kind, target, more = '') {
  const child = spawn(process.execPath, [here('reference-servers.mjs'), kind, target, String(more)], {
    stdio: ['ignore', 'pipe', 'inherit'],
  })
  return { port: Number(await lines(child)()), pid: child.pid, child, stop: () => stop(child) }
}

/** Pulls in a process of its own; resolves with bytes a second over all clients. */
export async function pullRate(port, path, clients) {
  const { bytes, seconds } = (await clientsIn('load-client.mjs', [port, path, clients, 'whole'])).result
  return bytes / seconds
}

/** One pull by curl; resolves with bytes a second. */
export async function curlRate(port, path) {
  const args = [
    '-sS',
    '--fail',
    '-o',
    devNull,
    '-w',
    '%{speed_download}\\n',
    `http://127.0.0.1:${port}${path}`,
  ]
  const child = spawn('curl', args, { stdio: ['ignore', 'pipe', 'inherit'] })
  const rate = Number(await lines(child)())
  if (!(rate > 0)) throw new Error(`curl did not get ${path}`)
  return rate
}

/** Clients that have read a little and stopped; `release` lets them go. */
export async function pausedClients(port, path, clients) {
  const { result, release } = await clientsIn('load-client.mjs', [port, path, clients, 'paused'])
  return { open: result.open, release }
}

/** Reads by TFTP in a process of its own; resolves with what it says once all have come as far as the mode has it. */
export function tftpClients({ port, name, clients, blksize, windowsize, mode }) {
  return clientsIn('tftp-client.mjs', [port, name, clients, blksize, windowsize, mode])
}

async function clientsIn(script, args) {
  const child = spawn(process.execPath, [here(script), ...args].map(String), {
    stdio: ['pipe', 'pipe', 'inherit'],
  })
  const broken = new Promise((_, failed) =>
    child.on('exit', (code) => failed(new Error(`${script} ended with ${code}`))),
  )
  broken.catch(() => undefined)
  const result = JSON.parse(await Promise.race([lines(child)(), broken]))
  return {
    result,
    release: () =>
      new Promise((gone) => {
        child.on('exit', gone)
        child.stdin.end()
      }),
  }
}

/** How late the event loop of a server that `serve` started comes round, ms: 99 of 100 times no later; since the last call. */
export async function loopDelayMs({ child }) {
  const said = new Promise((told) => child.once('message', told))
  child.send('delay')
  return (await said).p99
}

/** Processor time so far, in user and system (proc(5)). */
export function processorSeconds(pid) {
  const fields = readFileSync(`/proc/${pid}/stat`, 'utf8').split(') ')[1].split(' ')
  return (Number(fields[11]) + Number(fields[12])) / TICKS_A_SECOND
}
/** USER_HZ, the same on every Linux system that Node.js runs on. */
const TICKS_A_SECOND = 100

export function residentMebibytes(pid) {
  return Number(/VmRSS:\s+(\d+) kB/.exec(readFileSync(`/proc/${pid}/status`, 'utf8'))[1]) / 1024
}

function stop(child) {
  return new Promise((gone) => {
    child.on('exit', gone)
    child.kill('SIGINT')
    // A second signal cuts what is still under way.
    setTimeout(() => child.kill('SIGTERM'), 500).unref()
    setTimeout(() => child.kill('SIGKILL'), 5_000).unref()
  })
}

export function median(values) {
  const sorted = [...values].sort((a, b) => a - b)
  return sorted[Math.floor(sorted.length / 2)]
}
