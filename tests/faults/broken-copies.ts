/**
 * Programs that put an image into the served folder and are broken off at a random moment, and what is left then. What
 * feeds a program (a server, a pipe) stops after so many bytes, or the file that it writes is watched until it has them.
 */
import { type ChildProcess, spawn } from 'node:child_process'
import { once } from 'node:events'
import { mkdirSync, readdirSync, statSync, writeFileSync } from 'node:fs'
import { createServer, type ServerResponse } from 'node:http'
import type { AddressInfo } from 'node:net'
import { join } from 'node:path'
import { setTimeout as pause } from 'node:timers/promises'
import { gzipSync } from 'node:zlib'
import { zipSync } from 'fflate'
import { chromium } from 'playwright-core'
import {
  imageBytes,
  putFile,
  type ServedProgram,
  serveFolder,
  sha256,
  stagingFolder,
  type Until,
} from '../clients/served.ts'
import { CHROMIUM } from '../needs.ts'
import { createRandom, type Random } from '../truth/random.ts'
import { shown } from './bench.ts'

const AT_ONCE = 6
const BYTES = 1_500_000
/** Of no format in which anything can be checked. */
const PLAIN = imageBytes(BYTES, 'plain')
const CHECKED = gzipSync(imageBytes(BYTES, 'packed'), { level: 1 })

interface Moment {
  /** Where the program puts the image: a folder of the served one, for this moment alone. */
  readonly into: string
  readonly scratch: string
  /** The image as it is at its source. */
  readonly bytes: Buffer
  /** After so many of them it is broken off. */
  readonly cut: number
  readonly random: Random
  /** Address of the image on a server that stops there, or resets the connection. */
  readonly url: string
}

interface Breaking {
  readonly bytes: Buffer
  /** Under this name within `into`. */
  readonly name: string
  /** Ends when the program has been broken off. */
  run(moment: Moment): Promise<void>
}

/** Runs it until the source has given `cut` bytes, or the program has ended by itself (its connection was lost). */
async function fetching(
  program: string,
  args: readonly string[],
  { url, random, cut }: Moment,
): Promise<void> {
  const child = spawn(program, args, { stdio: 'ignore' })
  await Promise.race([given(url, cut), once(child, 'exit')])
  await pause(random.whole(0, 40))
  await breakOff(child, random)
}

async function breakOff(child: ChildProcess, random: Random): Promise<void> {
  if (child.exitCode !== null || child.signalCode !== null) return
  const gone = once(child, 'exit')
  child.kill(random.pick(['SIGKILL', 'SIGTERM', 'SIGINT']))
  // A shell, or a program that tidies up, may take its time.
  const last = setTimeout(() => child.kill('SIGKILL'), 2_000)
  await gone
  clearTimeout(last)
}

/** Gives it the first bytes of `input` and no more. */
async function piped(
  program: string,
  args: readonly string[],
  input: Buffer,
  { random, cut }: Moment,
): Promise<void> {
  const child = spawn(program, args, { stdio: ['pipe', 'ignore', 'ignore'], detached: true })
  const written = new Promise((done) => child.stdin?.write(input.subarray(0, cut), done))
  child.stdin?.on('error', () => undefined)
  await Promise.race([written, once(child, 'exit')])
  await pause(random.whole(0, 20))
  // The whole group: a shell's own child would go on.
  if (child.exitCode === null) process.kill(-(child.pid ?? 0), random.pick(['SIGKILL', 'SIGTERM', 'SIGINT']))
  if (child.exitCode === null && child.signalCode === null) await once(child, 'exit')
}

/** Ended by the system when a file gets longer than `cut` (setrlimit(2), RLIMIT_FSIZE): nothing can slow it down. */
async function limited(program: string, args: readonly string[], { cut }: Moment): Promise<void> {
  await once(spawn('prlimit', [`--fsize=${cut}`, '--core=0', program, ...args], { stdio: 'ignore' }), 'exit')
}

/** Runs it until some file in the folder has `cut` bytes. */
async function watched(
  program: string,
  args: readonly string[],
  { into, random, cut }: Moment,
): Promise<void> {
  const child = spawn(program, args, { stdio: 'ignore' })
  const over = once(child, 'exit')
  while (child.exitCode === null && largestIn(into) < cut) await Promise.race([over, pause(1)])
  await breakOff(child, random)
}

function largestIn(folder: string): number {
  return Math.max(
    0,
    ...readdirSync(folder).map((name) => statSync(join(folder, name), { throwIfNoEntry: false })?.size ?? 0),
  )
}

async function downloaded({ into, url, cut, random }: Moment): Promise<void> {
  const browser = await chromium.launchServer({ executablePath: CHROMIUM, args: ['--no-sandbox'] })
  const client = await chromium.connect(browser.wsEndpoint())
  const session = await client.newBrowserCDPSession()
  await session.send('Browser.setDownloadBehavior', { behavior: 'allow', downloadPath: into })
  const tab = await (await client.newContext({ acceptDownloads: true })).newPage()
  await session.send('Browser.setDownloadBehavior', { behavior: 'allow', downloadPath: into })
  void tab.goto(url).catch(() => undefined)
  await given(url, cut)
  await pause(random.whole(0, 300))
  if (random.chance(0.5)) await browser.close()
  else await browser.kill()
}

const FILL = 'exec dd conv=notrunc bs=4096 status=none of=fw.bin'

const COMMANDS = {
  'rsync, which writes under a hidden name': {
    bytes: PLAIN,
    name: 'fw.bin',
    run: (moment) => watched('rsync', ['--bwlimit=800', from(moment), moment.into], moment),
  },
  'rsync --partial': {
    bytes: PLAIN,
    name: 'fw.bin',
    run: (moment) =>
      watched('rsync', ['--partial', '-t', '--bwlimit=800', from(moment), moment.into], moment),
  },
  'rsync --inplace': {
    bytes: CHECKED,
    name: 'fw.bin.gz',
    run: (moment) =>
      watched('rsync', ['--inplace', '--bwlimit=800', from(moment, 'fw.bin.gz'), moment.into], moment),
  },
  'cp from a pipe': {
    bytes: CHECKED,
    name: 'fw.bin.gz',
    run: (moment) =>
      piped('sh', ['-c', `cat | cp /dev/stdin ${moment.into}/fw.bin.gz`], moment.bytes, moment),
  },
  'cp -p': {
    bytes: CHECKED,
    name: 'fw.bin.gz',
    run: (moment) => limited('cp', ['-p', from(moment, 'fw.bin.gz'), moment.into], moment),
  },
  'a copy that sets the full size first': {
    bytes: PLAIN,
    name: 'fw.bin',
    run: (moment) =>
      piped(
        'sh',
        ['-c', `cd ${moment.into} && truncate -s ${PLAIN.length} fw.bin && ${FILL}`],
        moment.bytes,
        moment,
      ),
  },
  // In a file of another format than this nothing would be seen: the README says so.
  'a copy that reserves the full size first': {
    bytes: CHECKED,
    name: 'fw.bin.gz',
    run: (moment) =>
      piped(
        'sh',
        ['-c', `cd ${moment.into} && fallocate -l ${CHECKED.length} fw.bin.gz && ${FILL}.gz`],
        moment.bytes,
        moment,
      ),
  },
  curl: {
    bytes: CHECKED,
    name: 'fw.bin.gz',
    run: (moment) => fetching('curl', ['-s', '-o', join(moment.into, 'fw.bin.gz'), moment.url], moment),
  },
  wget: {
    bytes: CHECKED,
    name: 'fw.bin.gz',
    run: (moment) => fetching('wget', ['-q', '-t', '1', '-P', moment.into, moment.url], moment),
  },
  aria2c: {
    bytes: PLAIN,
    name: 'fw.bin',
    run: (moment) =>
      fetching(
        'aria2c',
        ['-q', '-m', '1', '--file-allocation=prealloc', '-d', moment.into, moment.url],
        moment,
      ),
  },
  unzip: {
    bytes: CHECKED,
    name: 'fw.bin.gz',
    run: (moment) =>
      limited('unzip', ['-q', '-o', join(moment.scratch, 'fw.zip'), '-d', moment.into], moment),
  },
  tar: {
    bytes: CHECKED,
    name: 'fw.bin.gz',
    run: (moment) => piped('tar', ['-x', '-C', moment.into], tarOf('fw.bin.gz', moment.bytes), moment),
  },
} satisfies Record<string, Breaking>

export const QUICK_PROGRAMS = Object.keys(COMMANDS) as (keyof typeof COMMANDS)[]
const PROGRAMS: Record<string, Breaking> = {
  ...COMMANDS,
  'a download in Chromium': { bytes: PLAIN, name: 'fw.bin', run: downloaded },
}
export const ALL_PROGRAMS: readonly string[] = Object.keys(PROGRAMS)

/** The image at its source, with an old date. */
function from({ scratch }: Moment, name = 'fw.bin'): string {
  return join(scratch, name)
}

/** One member (POSIX, ustar), with an old date. */
function tarOf(name: string, bytes: Buffer): Buffer {
  const header = Buffer.alloc(512)
  header.write(name)
  header.write('0000644\0', 100)
  header.write(`${bytes.length.toString(8).padStart(11, '0')}\0`, 124)
  header.write('07000000000\0', 136)
  header.write('        0', 148)
  header.write('ustar\x0000', 257)
  const sum = header.reduce((all, byte) => all + byte, 0)
  header.write(`${sum.toString(8).padStart(6, '0')}\0 `, 148)
  return Buffer.concat([header, bytes, Buffer.alloc(512 - (bytes.length % 512) + 1024)])
}

const gives = new Map<string, { bytes: number; told: () => void }>()

/** Resolves when the server has written so many bytes to a client that asked for this address. */
function given(url: string, bytes: number): Promise<void> {
  return new Promise((told) => void gives.set(new URL(url).pathname, { bytes, told }))
}

/** Says the whole length, gives what `given` waits for, and then nothing more or a reset. */
async function breakingServer(bytesOf: (path: string) => Buffer, until: Until): Promise<string> {
  const server = createServer((asked, answer) => {
    const path = asked.url ?? ''
    const bytes = bytesOf(path)
    answer.writeHead(200, { 'content-length': bytes.length, 'content-type': 'application/octet-stream' })
    const give = gives.get(path)
    if (asked.method === 'HEAD' || give === undefined) return void answer.end(bytes)
    answer.write(bytes.subarray(0, give.bytes), () => stop(answer, path, give.told))
  }).listen(0, '127.0.0.1')
  await once(server, 'listening')
  until(async () => {
    server.closeAllConnections()
    server.close()
  })
  return `http://127.0.0.1:${(server.address() as AddressInfo).port}`
}

function stop(answer: ServerResponse, path: string, told: () => void): void {
  if (path.includes('/reset/')) setTimeout(() => answer.socket?.resetAndDestroy(), 30)
  told()
}

export interface Left {
  readonly program: string
  readonly at: number
  /** Bytes of the image under its own name; null when there is no such file. */
  readonly bytes: number | null
  /** Whether these are all of it. */
  readonly whole: boolean
  /** `ready`, `held`, …; `absent`: it is no image. */
  readonly state: string
}

/** Breaks off each program at so many moments, in a folder that is being served, and says how what it left stands. */
export async function breakOffCopies(options: {
  programs: readonly string[]
  moments: number
  seed: string
  until: Until
}): Promise<{ left: readonly Left[]; served: ServedProgram }> {
  const { until } = options
  const folder = await stagingFolder({}, until)
  const scratch = await stagingFolder({ 'fw.bin': PLAIN }, until)
  putFile(scratch, 'fw.bin.gz', CHECKED)
  writeFileSync(join(scratch, 'fw.zip'), zipSync({ 'fw.bin.gz': [CHECKED, { level: 1 }] }))
  const served = await serveFolder(folder, { cleanUp: until })
  const base = await breakingServer((path) => (path.endsWith('.gz') ? CHECKED : PLAIN), until)
  const tried = options.programs.flatMap((program, index) =>
    Array.from({ length: options.moments }, (_, at) => ({ program, at, within: `${index}-${at}` })),
  )
  // Programs wait most of their time: a few at once.
  const left = [...tried]
  async function breakOne(): Promise<void> {
    for (let next = left.pop(); next !== undefined; next = left.pop()) {
      const { program, at, within } = next
      const { bytes, name, run } = breakingOf(program)
      const random = createRandom(`${options.seed} ${program} ${at}`)
      const into = join(folder, within)
      mkdirSync(into)
      const url = `${base}/${random.chance(0.3) ? 'reset' : 'stop'}/${within}/${name}`
      const cut = random.whole(1, bytes.length - 1)
      await run({ into, scratch, bytes, cut, random, url })
    }
  }
  await Promise.all(Array.from({ length: AT_ONCE }, breakOne))
  const witness = imageBytes(5_000, 'witness')
  writeFileSync(join(folder, 'witness.bin'), witness)
  await served.image('witness.bin', sha256(witness))
  const { images } = await shown(join(folder, '.fetchproof'), (snapshot) =>
    snapshot.images.every(({ state }) => state === 'ready' || state === 'held'),
  )
  const outcomes = tried.map(({ program, at, within }): Left => {
    const { name, bytes } = breakingOf(program)
    const size = statSync(join(folder, within, name), { throwIfNoEntry: false })?.size
    const image = images.find((each) => each.name === `${within}/${name}`)
    const whole = image?.sha256 === sha256(bytes)
    return { program, at, bytes: size ?? null, whole, state: image?.state ?? 'absent' }
  })
  return { left: outcomes, served }
}

function breakingOf(program: string): Breaking {
  const breaking = PROGRAMS[program]
  if (breaking === undefined) throw new RangeError(`no program ${program}`)
  return breaking
}

/** What was ever offered, be it for a moment: entries of images that no hold follows, without those that are whole. */
export function offeredInPart({ entries }: ServedProgram): string[] {
  const whole = new Set([PLAIN, CHECKED, imageBytes(5_000, 'witness')].map(sha256))
  return entries.flatMap((entry) => {
    if (entry.kind !== 'image' || whole.has(entry.sha256)) return []
    const isHeld = entries.some(
      (other) => other.kind === 'held' && other.name === entry.name && other.sha256 === entry.sha256,
    )
    return isHeld ? [] : [`${entry.name} with ${entry.bytes} bytes`]
  })
}
