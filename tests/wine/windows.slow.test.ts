/**
 * The portable Windows folder under Wine (Windows 10 mode): Windows' own code paths of Node.js and of ours, on Wine's
 * system calls and not on Windows'. Wine's standard output to a pipe fails (EBADF), so output goes to files.
 */
import { type ChildProcess, spawn, spawnSync } from 'node:child_process'
import { once } from 'node:events'
import { cpSync, mkdirSync, mkdtempSync, openSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { beforeAll, expect, test } from 'vitest'
import { freePort, imageBytes, untilAllDone } from '../clients/served.ts'
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

function serve(): Started {
  const ports = ['--port', String(port), '--page-port', '0', '--listen', '127.0.0.1']
  return start([...NODE, 'serve', 'C:\\visit', ...ports, '--settle-ms', '100', '--settle-unsure-ms', '300'])
}

async function pulled(path: string): Promise<Buffer | number> {
  const answer = await fetch(`http://127.0.0.1:${port}/${path}`).catch(() => undefined)
  if (answer?.status !== 200) return answer?.status ?? 0
  return Buffer.from(await answer.arrayBuffer())
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
  expect(second.text()).toContain('FP_LEDGER_HELD')

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
