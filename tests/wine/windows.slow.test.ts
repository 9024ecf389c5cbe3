/**
 * The portable Windows folder under Wine (Windows 10 mode): Windows' own code paths of Node.js and of ours, on Wine's
 * system calls and not on Windows'. Wine's standard output to a pipe fails (EBADF), so output goes to files.
 */
import { type ChildProcess, spawn, spawnSync } from 'node:child_process'
import { once } from 'node:events'
import {
  cpSync,
  existsSync,
  mkdirSync,
  mkdtempSync,
  openSync,
  readFileSync,
  rmSync,
  writeFileSync,
} from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { beforeAll, describe, expect, test } from 'vitest'
import { freePort, imageBytes, sha256, untilAllDone } from '../clients/served.ts'
import { allNeed } from '../needs.ts'
import { build, titleOf } from '../portable/runtime.ts'

const WITHIN = { timeout: 90_000, interval: 200 }
const core = imageBytes(300_000, 'core')
const late = imageBytes(200_000, 'late')

const isHere = allNeed('wine', 'the runtime for Windows')
const whenAllDone = untilAllDone()
let work = ''
let drive = ''
let env: NodeJS.ProcessEnv = {}
let port = 0
let outputs = 0
let scripts = 0

interface Started {
  readonly child: ChildProcess
  text(): string
}

function start(args: readonly string[]): Started {
  outputs += 1
  const file = join(work, `output-${outputs}`)
  const output = openSync(file, 'w')
  // Out of Linux' own folders: drive Z: would show its /proc.
  const child = spawn('wine', [...args], { env, cwd: drive, stdio: ['ignore', output, output] })
  whenAllDone(async () => void child.kill('SIGKILL'))
  return { child, text: () => readFileSync(file, 'utf8') }
}

const NODE = ['C:\\Café 4\\fp\\runtime\\node.exe', 'C:\\Café 4\\fp\\program\\server\\bundle\\main.js']

function serve(folder = 'visit'): Started {
  const ports = ['--port', String(port), '--page-port', '0', '--listen', '127.0.0.1', '--list']
  const times = ['--settle-ms', '100', '--settle-unsure-ms', '300']
  return start([...NODE, 'serve', `C:\\${folder}`, ...ports, ...times])
}

/** Runs the program to its end; its text is for a failure's message. */
async function command(...args: readonly string[]): Promise<{ status: unknown; text: string }> {
  const { child, text } = start([...NODE, ...args])
  const [status] = await once(child, 'close')
  return { status, text: text() }
}

/** Another program on that system, which works on files by Windows' own calls. */
function otherProgram(script: string): Started {
  scripts += 1
  writeFileSync(join(drive, `script-${scripts}.cjs`), `const fs = require('node:fs')\n${script}\n`)
  return start([NODE[0] ?? '', `C:\\script-${scripts}.cjs`])
}

/** Resolves with what it prints. */
async function doneBy(script: string): Promise<string> {
  const { child, text } = otherProgram(script)
  await once(child, 'close')
  return text().trim()
}

async function pulled(path: string): Promise<Buffer | number> {
  const answer = await fetch(`http://127.0.0.1:${port}/${path}`).catch(() => undefined)
  if (answer?.status !== 200) return answer?.status ?? 0
  return Buffer.from(await answer.arrayBuffer())
}

async function pulledBytes(path: string): Promise<Buffer> {
  const bytes = await pulled(path)
  return typeof bytes === 'number' ? Buffer.alloc(0) : bytes
}

beforeAll(async () => {
  if (!isHere) return
  work = mkdtempSync(join(tmpdir(), 'fetchproof-wine-'))
  whenAllDone(async () => {
    spawnSync('wineserver', ['-k'], { env })
    rmSync(work, { recursive: true, force: true, maxRetries: 5 })
  })
  env = { ...process.env, WINEPREFIX: join(work, 'prefix'), WINEARCH: 'win64', WINEDEBUG: '-all' }
  port = await freePort()
  await build(join(work, 'built'), ['--only', 'win-x64', '--no-archives'])
  expect(spawnSync('wine', ['winecfg', '-v', 'win10'], { env, stdio: 'ignore' }).status).toBe(0)
  drive = join(work, 'prefix/drive_c')
  // Wine 8 does not know the keep-alive options that undici sets before it connects, and fails the connection for it.
  writeFileSync(
    join(drive, 'wine.cjs'),
    "require('node:net').Socket.prototype.setKeepAlive = function () { return this }\n",
  )
  env.NODE_OPTIONS = '--require C:\\wine.cjs'
  cpSync(join(work, 'built', titleOf('win-x64')), join(drive, 'Café 4/fp'), { recursive: true })
  mkdirSync(join(drive, 'visit'))
  writeFileSync(join(drive, 'visit/core.bin'), core)
}, 600_000)

test('serves, takes in a file dropped into the folder, refuses a second server, and comes back after a kill', async () => {
  const first = serve()
  await expect.poll(() => pulled('core.bin'), WITHIN).toEqual(core)
  writeFileSync(join(drive, 'visit/late.bin'), late)
  await expect.poll(() => pulled('late.bin'), WITHIN).toEqual(late)

  const second = serve()
  expect(await once(second.child, 'close'), second.text()).toEqual([3, null])
  expect(second.text().replace(/\s+/g, ' ')).toContain('already being served')

  first.child.kill('SIGKILL')
  await once(first.child, 'close')
  await expect.poll(() => pulled('core.bin'), WITHIN).toBe(0)
  const again = serve()
  await expect.poll(() => pulled('core.bin'), WITHIN).toEqual(core)
  again.child.kill('SIGKILL')
  await once(again.child, 'close')
})

test('the launcher passes arguments through, and the record that a kill left is whole', async () => {
  const audit = start(['cmd', '/c', 'C:\\Café 4\\fp\\fetchproof.cmd', 'audit', '--check', 'C:\\visit'])
  expect(await once(audit.child, 'close'), audit.text()).toEqual([0, null])
  expect(audit.text()).toContain('intact')
  const wrong = start(['cmd', '/c', 'C:\\Café 4\\fp\\fetchproof.cmd', 'audit', '--no-such-flag'])
  expect(await once(wrong.child, 'close'), wrong.text()).toEqual([2, null])
})

describe('an evening', () => {
  const DEVICE = '127.0.0.5'
  const IN_FOLDER = ['--folder', 'C:\\evening']
  // More than what the buffers of both systems take at once: a slow fetch of it is still under way when it changes.
  const large = imageBytes(48_000_000, 'large')
  const grown = Buffer.concat([large, late])
  const planned = imageBytes(400_000, 'planned')
  const wrong = imageBytes(50_000, 'wrong')
  const path = (name: string): string => join(drive, 'evening', name)
  let served: Started

  /** As a device with an address of its own pulls it. Resolves with curl's exit status and the bytes that it holds. */
  async function device(
    name: string,
    ...flags: readonly string[]
  ): Promise<{ status: unknown; bytes: Buffer }> {
    const file = join(work, `device-${name}`)
    rmSync(file, { force: true })
    const from = ['--silent', '--fail', '--interface', DEVICE, '--output', file]
    const curl = spawn('curl', [...from, ...flags, `http://127.0.0.1:${port}/${name}`], { stdio: 'ignore' })
    const [status] = await once(curl, 'close')
    return { status, bytes: existsSync(file) ? readFileSync(file) : Buffer.alloc(0) }
  }

  beforeAll(() => {
    if (!isHere) return
    mkdirSync(join(drive, 'evening'))
    writeFileSync(path('planned.bin'), planned)
    writeFileSync(path('wrong.bin'), wrong)
    writeFileSync(path('wrong.bin.sha256'), `${'0'.repeat(64)}  wrong.bin\n`)
    writeFileSync(path('large.bin'), large)
    writeFileSync(path('visit.csv'), `device,address,image\nharrowick-desk,${DEVICE},planned.bin\n`)
    served = serve('evening')
  })

  test('a planned image is pulled whole by a device with an address of its own', async () => {
    await expect.poll(() => pulled('planned.bin'), WITHIN).toEqual(planned)
    expect(await device('planned.bin')).toEqual({ status: 0, bytes: planned })
  })

  test('an image that differs from its checksum is held, and is served after a lift', async () => {
    expect(await pulled('wrong.bin')).toBe(409)
    const lifted = await command(
      'lift',
      'wrong.bin',
      '--reason',
      'the list is of another release',
      ...IN_FOLDER,
    )
    expect(lifted.status, lifted.text).toBe(0)
    await expect.poll(() => pulled('wrong.bin'), WITHIN).toEqual(wrong)
  })

  test('an image that grows while a device pulls it is cut off, and is offered whole when it stands still', async () => {
    await expect.poll(async () => sha256(await pulledBytes('large.bin')), WITHIN).toBe(sha256(large))
    const pull = device('large.bin', '--limit-rate', '1M')
    await expect.poll(() => existsSync(join(work, 'device-large.bin')), WITHIN).toBe(true)
    expect(await doneBy(appending('large.bin', late))).toBe('done')
    const { status, bytes } = await pull
    expect(status).not.toBe(0)
    expect(large.subarray(0, bytes.length).equals(bytes)).toBe(true)
    await expect.poll(async () => sha256(await pulledBytes('large.bin')), WITHIN).toBe(sha256(grown))
  })

  test('another file renamed over an image: not while it is fetched, or the fetch is no mixture; and when idle', async () => {
    writeFileSync(path('next.part'), late)
    const pull = device('large.bin', '--limit-rate', '4M')
    await expect.poll(() => existsSync(join(work, 'device-large.bin')), WITHIN).toBe(true)
    const said = await doneBy(renaming('next.part', 'large.bin'))
    const { status, bytes } = await pull
    expect(grown.subarray(0, bytes.length).equals(bytes)).toBe(true)
    // Wine lets it happen, and the fetch goes on with the file it has open or is reset; Windows refuses it with EPERM.
    if (said !== 'done') {
      expect([said, status]).toEqual(['EPERM', 0])
      expect(await doneBy(renaming('next.part', 'large.bin'))).toBe('done')
    }
    await expect.poll(() => pulled('large.bin'), WITHIN).toEqual(late)
  })

  test('an image that another program has locked is offered when it is let go', async () => {
    writeFileSync(path('locked.bin'), core)
    await expect.poll(() => pulled('locked.bin'), WITHIN).toEqual(core)
    const holder = otherProgram(LOCKING)
    await expect.poll(() => holder.text(), WITHIN).toContain('locked')
    expect([200, 404, 409, 503]).toContain((await fetch(`http://127.0.0.1:${port}/locked.bin`)).status)
    expect(await pulled('planned.bin')).toEqual(planned)
    holder.child.kill('SIGKILL')
    await once(holder.child, 'close')
    await expect.poll(() => pulled('locked.bin'), WITHIN).toEqual(core)
  })

  test('what the device printed confirms it; a version seen at it is written down; the rehearsal is clean', async () => {
    const printed = `sha256sum planned.bin ${sha256(planned)}`
    const matched = await command('match', '--device', 'harrowick-desk', printed, ...IN_FOLDER)
    expect(matched.status, matched.text).toBe(0)
    const observed = await command('observe', 'harrowick-desk', '--before', '1.0', ...IN_FOLDER)
    expect(observed.status, observed.text).toBe(0)
    const rehearsed = await command('rehearse', `http://127.0.0.1:${port}`)
    expect(rehearsed.status, rehearsed.text).toBe(0)
  })

  test('the report says so, and Ctrl-C ends the server in order', async () => {
    const reported = await command('report', 'C:\\evening', '--strict', '--output', 'C:\\report.html')
    expect(reported.status, reported.text).toBe(0)
    expect(readFileSync(join(drive, 'report.html'), 'utf8')).toContain('harrowick-desk')
    const audited = await command('audit', 'C:\\evening', '--plan', '--format', 'json')
    expect(JSON.parse(audited.text)).toMatchObject({ plan: { devices: [{ standing: 'confirmed' }] } })
    served.child.kill('SIGINT')
    expect(await once(served.child, 'close'), served.text()).toEqual([0, null])
    expect(served.text()).toContain('Stopped.')
  })

  test('a folder whose path has more than 260 characters, which Wine 8 does not open, is refused in a sentence', async () => {
    const inside = Array.from({ length: 6 }, () => 'ground floor, reading room, cabinet by the stairs')
    mkdirSync(join(drive, 'deep', ...inside), { recursive: true })
    const deep = serve(['deep', ...inside].join('\\'))
    expect(await once(deep.child, 'close'), deep.text()).toEqual([2, null])
    expect(deep.text()).toContain('cannot be read')
  })
})

const inside = (name: string): string => JSON.stringify(`C:\\evening\\${name}`)

const tried = (what: string): string =>
  `try { ${what}; console.log('done') } catch (error) { console.log(error.code) }`

function appending(name: string, bytes: Buffer): string {
  return tried(`fs.appendFileSync(${inside(name)}, Buffer.from('${bytes.toString('base64')}', 'base64'))`)
}

function renaming(from: string, to: string): string {
  return tried(`fs.renameSync(${inside(from)}, ${inside(to)})`)
}

/** Opens it for itself alone (libuv's UV_FS_O_EXLOCK, docs.libuv.org, "File open constants"), and keeps it open. */
const LOCKING = `fs.openSync(${inside('locked.bin')}, 0x10000000 | fs.constants.O_RDWR); console.log('locked'); setInterval(() => {}, 1000)`
