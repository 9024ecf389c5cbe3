/**
 * A served staging folder, seen from outside: standard output as entries, the image port, signals. Everything waits on
 * entries with a deadline, and ends when the test (or file) ends.
 *
 * `serveFolder` starts the built program. `serveHere` runs the same command in this process, which takes a tenth of
 * the time: for tests of what `serve` does, where nothing is about the process itself (its death, its standard output,
 * its memory).
 */
import { type ChildProcess, spawn } from 'node:child_process'
import { createHash } from 'node:crypto'
import { createSocket } from 'node:dgram'
import { once } from 'node:events'
import {
  existsSync,
  mkdtempSync,
  readFileSync,
  realpathSync,
  rmSync,
  utimesSync,
  writeFileSync,
} from 'node:fs'
import { mkdir } from 'node:fs/promises'
import { type AddressInfo, connect, createServer } from 'node:net'
import { tmpdir } from 'node:os'
import { dirname, join } from 'node:path'
import { createInterface } from 'node:readline'
import type { Readable } from 'node:stream'
import { setTimeout as pause } from 'node:timers/promises'
import { afterAll } from 'vitest'
import type { Entry } from '../../server/ledger/entries.ts'
import { startInProcess } from '../commands/in-process.ts'
import { type Heard, hearEntries } from './heard-entries.ts'
import { PROGRAM } from './program.ts'

/** How long a thing lives: `onTestFinished`, or what `untilAllDone()` gives. */
export type Until = (clean: () => Promise<void>) => void

/**
 * For things that a `beforeAll` makes. Called while the tests are collected: vitest (4) takes an `afterAll` that is
 * called within a hook without a word and never runs it.
 */
export function untilAllDone(): Until {
  const cleans: (() => Promise<void>)[] = []
  afterAll(async () => {
    for (const clean of cleans.reverse()) await clean()
  })
  return (clean) => void cleans.push(clean)
}

export interface Served extends Heard {
  readonly folder: string
  readonly port: number
  /** Lines of standard output that are not a JSON object: there must be none. */
  readonly otherLines: readonly string[]
  stderr(): string
  /** SIGINT, and one more after `againMs` where given; resolves with the exit status. */
  stop(againMs?: number): Promise<number>
}

export interface ServedProgram extends Served {
  readonly process: ChildProcess
  kill(): Promise<void>
}

export interface HereOptions {
  readonly flags?: readonly string[]
  readonly listen?: string
  /** Added to this process's own. */
  readonly env?: NodeJS.ProcessEnv
  readonly cleanUp: Until
}

export interface ServeOptions extends HereOptions {
  /** Another build than the one in dist/: program and first arguments. */
  readonly program?: readonly string[]
  /** Program and first arguments to run it under (a network namespace). */
  readonly under?: readonly string[]
}

const DEADLINE_MS = 25_000
/** Exit status of a server that could not start. */
const PORT_TAKEN = 3
const SHORT_TIMES = ['--settle-ms', '40', '--settle-unsure-ms', '120', '--rescan-ms', '300']

/** Bytes that repeat nowhere, the same for the same seed: SHA-256 in counter mode, 32 bytes a step. */
export function imageBytes(length: number, seed = 'image'): Buffer {
  const block = Buffer.alloc(64 * 1024)
  for (let at = 0; at < block.length; at += 32)
    createHash('sha256').update(`${seed} ${at}`).digest().copy(block, at)
  const bytes = Buffer.alloc(length)
  for (let at = 0, turn = 0; at < length; at += block.length, turn += 1) {
    block.writeUInt32BE(turn, 0)
    block.copy(bytes, at)
  }
  return bytes
}

export function sha256(bytes: Uint8Array): string {
  return createHash('sha256').update(bytes).digest('hex')
}

/** A staging folder with these files, all of them an hour old; removed at the end. */
export async function stagingFolder(
  files: Readonly<Record<string, Buffer>>,
  cleanUp: Until,
): Promise<string> {
  const folder = realpathSync(mkdtempSync(join(tmpdir(), 'fetchproof-served-')))
  cleanUp(async () => rmSync(folder, { recursive: true, force: true, maxRetries: 3 }))
  for (const [name, bytes] of Object.entries(files)) {
    await mkdir(dirname(join(folder, name)), { recursive: true })
    putFile(folder, name, bytes)
  }
  return folder
}

/** Writes a file as if it had been there for an hour. */
export function putFile(folder: string, name: string, bytes: Buffer): void {
  writeFileSync(join(folder, name), bytes)
  const before = Date.now() / 1000 - 3600
  utimesSync(join(folder, name), before, before)
}

export function ledgerFile(folder: string): string {
  return join(folder, '.fetchproof', 'ledger.ndjson')
}

/** The ledger as it stands on disk. */
export function ledgerEntries(folder: string): Entry[] {
  if (!existsSync(ledgerFile(folder))) return []
  const lines = readFileSync(ledgerFile(folder), 'utf8').split('\n')
  return lines.filter((line) => line !== '').map((line) => JSON.parse(line) as Entry)
}

export async function freePort(host = '127.0.0.1'): Promise<number> {
  const server = createServer().listen(0, host)
  await once(server, 'listening')
  const { port } = server.address() as AddressInfo
  server.close()
  await once(server, 'close')
  return port
}

export async function freeUdpPort(): Promise<number> {
  const socket = createSocket('udp4').bind(0, '127.0.0.1')
  await once(socket, 'listening')
  const { port } = socket.address()
  socket.close()
  return port
}

/** The built program serves the folder until the end of the test; resolves when the image port accepts connections. */
export function serveFolder(folder: string, options: ServeOptions): Promise<ServedProgram> {
  return onFreePort((port) => startProgram(folder, port, options))
}

/** The same in this process. */
export function serveHere(folder: string, options: HereOptions): Promise<Served> {
  return onFreePort((port) => startHere(folder, port, options))
}

async function onFreePort<S>(start: (port: number) => Promise<S | 'port taken'>): Promise<S> {
  for (let attempt = 1; ; attempt += 1) {
    const served = await start(await freePort())
    if (served !== 'port taken') return served
    if (attempt === 5) throw new Error('five free ports in a row were taken by others')
  }
}

/** The built program serves these files; resolves when all of them are offered. */
export async function serveFiles(
  files: Readonly<Record<string, Buffer>>,
  options: ServeOptions,
): Promise<ServedProgram> {
  return offering(files, await serveFolder(await stagingFolder(files, options.cleanUp), options))
}

/** The same in this process. */
export async function serveFilesHere(
  files: Readonly<Record<string, Buffer>>,
  options: HereOptions,
): Promise<Served> {
  return offering(files, await serveHere(await stagingFolder(files, options.cleanUp), options))
}

async function offering<S extends Served>(files: object, served: S): Promise<S> {
  await Promise.all(Object.keys(files).map((name) => served.image(name)))
  return served
}

function argumentsOf(folder: string, port: number, { listen = '127.0.0.1', flags = [] }: HereOptions) {
  const at = ['--listen', listen, '--port', String(port), '--page-port', '0']
  return ['serve', folder, '--format', 'json', ...at, ...SHORT_TIMES, ...flags]
}

async function startProgram(
  folder: string,
  port: number,
  options: ServeOptions,
): Promise<ServedProgram | 'port taken'> {
  const { under = [], program = [process.execPath, PROGRAM], listen = '127.0.0.1' } = options
  const [command = '', ...args] = [...under, ...program, ...argumentsOf(folder, port, options)]
  const child = spawn(command, args, {
    stdio: ['ignore', 'pipe', 'pipe'],
    env: { ...process.env, ...options.env },
  })
  const running: Running = {
    stdout: child.stdout,
    stderr: child.stderr,
    ended: once(child, 'close').then(() => child.exitCode),
    signal: (name) => void child.kill(name),
  }
  const served = observe(running, folder, port)
  async function kill(): Promise<void> {
    child.kill('SIGKILL')
    await running.ended
    throwAtFault(served)
  }
  options.cleanUp(kill)
  const accepts = () => (under.length === 0 ? accepting(listen, port) : listening(child.pid, port))
  return (await untilUp(served, running, accepts)) === 'port taken'
    ? 'port taken'
    : Object.assign(served, { process: child, kill })
}

async function startHere(folder: string, port: number, options: HereOptions): Promise<Served | 'port taken'> {
  const { listen = '127.0.0.1', cleanUp } = options
  const running = startInProcess(argumentsOf(folder, port, options), '', { ...process.env, ...options.env })
  const served = observe(running, folder, port)
  cleanUp(async () => {
    // A terminal that is closed is an end at once, whatever is under way.
    running.signal('SIGHUP')
    await running.ended
    throwAtFault(served)
  })
  return (await untilUp(served, running, () => accepting(listen, port))) ?? served
}

/** A warning of Node.js (a leak, something deprecated), or an error in the program's own log: a fault of ours. */
function throwAtFault(served: Served): void {
  const fault = /\(node:\d+\) .*Warning.*|^\{"level":[56]0,.*/m.exec(served.stderr())
  if (fault !== null) throw new Error(`serve had a fault: ${fault[0]}`)
}

/** What serves, whichever way it was started. */
interface Running {
  readonly stdout: Readable
  readonly stderr: Readable
  /** The exit status, null when a signal ended it; nothing more is written then. */
  readonly ended: Promise<number | null>
  signal(name: 'SIGINT' | 'SIGKILL'): void
}

async function untilUp(
  served: Served,
  { ended }: Running,
  accepts: () => Promise<boolean> | boolean,
): Promise<'port taken' | undefined> {
  const deadline = Date.now() + DEADLINE_MS
  while (!(await accepts())) {
    const status = await Promise.race([ended, pause(25, 'goes on')])
    if (status === PORT_TAKEN) return 'port taken'
    if (status !== 'goes on') throw new Error(`serve ended with ${status}: ${served.stderr()}`)
    if (Date.now() > deadline) throw new Error(`serve does not listen: ${served.stderr()}`)
  }
  return undefined
}

/** Whether something listens there. */
export async function accepting(host: string, port: number): Promise<boolean> {
  const socket = connect(port, host)
  try {
    await once(socket, 'connect')
    return true
  } catch {
    return false
  } finally {
    socket.destroy()
  }
}

/** Whether a port is open in the network namespace of that process (Linux, proc(5): state 0A is LISTEN). */
function listening(pid: number | undefined, port: number): boolean {
  let table: string
  try {
    table = readFileSync(`/proc/${pid ?? 'self'}/net/tcp`, 'utf8')
  } catch {
    // It has ended: its exit status says why.
    return false
  }
  const digits = port.toString(16).toUpperCase().padStart(4, '0')
  return new RegExp(`:${digits} \\S+ 0A`).test(table)
}

function observe({ stdout, stderr, ended, signal }: Running, folder: string, port: number): Served {
  const otherLines: string[] = []
  const words: string[] = []
  const said = (): string => words.join('')
  const { waits, hear, end } = hearEntries(DEADLINE_MS, said)
  let over = false
  stderr.setEncoding('utf8').on('data', (text: string) => words.push(text))
  createInterface({ input: stdout }).on('line', (line) => {
    if (line.startsWith('{') && line.endsWith('}')) hear([JSON.parse(line) as Entry])
    else otherLines.push(line)
  })
  void ended.then(() => {
    over = true
    end()
  })
  return {
    ...waits,
    folder,
    port,
    otherLines,
    stderr: said,
    async stop(againMs) {
      if (!over) signal('SIGINT')
      const again = againMs === undefined ? undefined : setTimeout(() => signal('SIGINT'), againMs)
      const limit = setTimeout(() => signal('SIGKILL'), DEADLINE_MS)
      const status = await ended
      clearTimeout(again)
      clearTimeout(limit)
      if (status === null) throw new Error('serve was ended by a signal')
      return status
    },
  }
}
