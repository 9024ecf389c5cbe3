/** The program killed at any moment, and a ledger that somebody has edited or cut. */
import { spawn } from 'node:child_process'
import { once } from 'node:events'
import { cpSync, mkdirSync, readFileSync, writeFileSync } from 'node:fs'
import { dirname, join } from 'node:path'
import { setTimeout as pause } from 'node:timers/promises'
import { beforeAll, describe, expect, onTestFinished, test } from 'vitest'
import type { Entry } from '../../server/ledger/entries.ts'
import { audit, inProcess } from '../commands/in-process.ts'
import { needs } from '../needs.ts'
import { PROGRAM, run } from './program.ts'
import { ask, exchange, type RawClient, request } from './raw-client.ts'
import {
  imageBytes,
  ledgerEntries,
  ledgerFile,
  type ServedProgram,
  serveFolder,
  sha256,
  stagingFolder,
  untilAllDone,
} from './served.ts'

const IMAGES = {
  'small.bin': imageBytes(64_000, 'small'),
  'large.bin': imageBytes(16 * 1024 * 1024, 'large'),
}

/** Serves the folder and is killed while a device pulls; resolves with what the device had got. */
async function killedInAPull(folder: string): Promise<Buffer> {
  const served = await serveFolder(folder, { cleanUp: onTestFinished })
  await offered(served)
  const client = await ask(served.port, '/large.bin', { keep: true })
  await client.readBody(1_000_000)
  const part = client.body()
  await served.kill()
  await client.reset()
  return part
}

test('a resume after a crash is the end of the same pull', async () => {
  const folder = await stagingFolder(IMAGES, onTestFinished)
  const part = await killedInAPull(folder)
  const second = await serveFolder(folder, { cleanUp: onTestFinished })
  await offered(second)
  const rest = await exchange(second.port, request('/large.bin', [`Range: bytes=${part.length}-`]))
  await second.ended(rest.client.port)
  expect(await second.stop()).toBe(0)
  expect(sha256(Buffer.concat([part, rest.client.body()]))).toBe(sha256(IMAGES['large.bin']))
  const { pulls } = await audit(folder, ['--image', 'large.bin'])
  expect(pulls).toMatchObject([{ state: 'complete', bytesCovered: IMAGES['large.bin'].length }])
  expect(pulls[0]?.fetches).toHaveLength(2)
})

test('the next start names the devices that were pulling when the server was killed, the one after it nobody', async () => {
  const folder = await stagingFolder(IMAGES, onTestFinished)
  await killedInAPull(folder)
  const words = await openingWordsOf(folder)
  expect(words).toContain(
    'the server before this one did not stop normally. Let these pull again before they restart: 127.0.0.1 (large.bin).',
  )
  expect(await openingWordsOf(folder)).not.toContain('did not stop normally')
})

/** What `serve` prints, up to its end in order. */
function openingWordsOf(folder: string): Promise<string> {
  const flags = ['--listen', '127.0.0.1', '--port', '0', '--no-page']
  const child = spawn(process.execPath, [PROGRAM, 'serve', folder, ...flags], {
    stdio: ['ignore', 'pipe', 'ignore'],
  })
  onTestFinished(() => void child.kill('SIGKILL'))
  return new Promise((resolve) => {
    let text = ''
    child.stdout.on('data', (piece: Buffer) => {
      text += piece.toString()
      if (text.includes('Stop with Ctrl-C.')) child.kill('SIGINT')
    })
    child.on('close', () => resolve(text))
  })
}

test('standard output that nobody reads any more neither ends the serving nor what is under way', async () => {
  const { served, slow } = await servedWithOneSlow()
  served.process.stdout?.destroy()
  for (let turn = 0; turn < 3; turn += 1) {
    const { client } = await exchange(served.port, request('/small.bin'))
    expect(client.bodySha256()).toBe(sha256(IMAGES['small.bin']))
  }
  expect(await slow.readToEnd()).toBe('closed')
  await slow.close()
  expect(slow.bodySha256()).toBe(sha256(IMAGES['large.bin']))
  expect(await served.stop()).toBe(0)
  expect(ledgerEntries(served.folder).at(-1)?.kind).toBe('closed')
})

test('standard error that nobody reads any more does not end the serving either', async () => {
  const folder = await stagingFolder(IMAGES, onTestFinished)
  const served = await serveFolder(folder, { cleanUp: onTestFinished })
  await offered(served)
  served.process.stdout?.destroy()
  served.process.stderr?.destroy()
  // Each is a remark on standard error.
  for (const [nth, text] of ['device,image\n,,,', 'device;image\n"'].entries()) {
    writeFileSync(join(folder, 'visit.csv'), text)
    const sheets = (): number => ledgerEntries(folder).filter(({ kind }) => kind === 'sheet').length
    await expect.poll(sheets, { timeout: 20_000 }).toBe(nth + 1)
  }
  const { client } = await exchange(served.port, request('/small.bin'))
  expect(client.bodySha256()).toBe(sha256(IMAGES['small.bin']))
  expect(await served.stop()).toBe(0)
})

test('a terminal that is closed is an end in order: what was under way is cut off and recorded', async () => {
  const { served } = await servedWithOneSlow()
  served.process.kill('SIGHUP')
  await once(served.process, 'exit')
  expect(served.process.exitCode).toBe(0)
  const entries = ledgerEntries(served.folder)
  expect(entries.findLast(({ kind }) => kind === 'fetch-ended')).toMatchObject({ ending: 'withdrawn' })
  expect(entries.at(-1)).toMatchObject({ kind: 'closed', reason: 'SIGHUP' })
})

describe('a ledger that was tampered with', () => {
  const whenAllDone = untilAllDone()
  let folder = ''
  let ledger = Buffer.alloc(0)
  let head = ''

  beforeAll(async () => {
    folder = await stagingFolder(IMAGES, whenAllDone)
    const served = await serveFolder(folder, { cleanUp: whenAllDone })
    await offered(served)
    for (let turn = 0; turn < 4; turn += 1) {
      const { client } = await exchange(served.port, request('/small.bin', [`User-Agent: turn ${turn}`]))
      await served.ended(client.port)
    }
    expect(await served.stop()).toBe(0)
    ledger = readFileSync(ledgerFile(folder))
    head = ledgerEntries(folder).at(-1)?.sum ?? ''
  })

  test('is found intact as long as nobody has touched it, with its head', async () => {
    expect(await inProcess(['audit', folder, '--check'])).toMatchObject({ status: 0 })
    expect(await inProcess(['audit', folder, '--check', '--head', head])).toMatchObject({ status: 0 })
  })

  test('is found broken whichever byte was edited', async () => {
    const lastLine = ledger.lastIndexOf('\n', ledger.length - 2) + 1
    const positions = [
      ...Array.from({ length: 170 }, () => Math.floor(Math.random() * ledger.length)),
      ...Array.from({ length: 28 }, () => lastLine + Math.floor(Math.random() * (ledger.length - lastLine))),
      0,
      ledger.length - 2,
    ]
    const base = await stagingFolder({}, onTestFinished)
    const folders = positions.map((at, index) => {
      const edited = Buffer.from(ledger)
      edited[at] = otherByte(edited[at] ?? 0)
      return copyWith(base, `edited-${index}`, edited)
    })
    const all = await inProcess(['audit', ...folders, '--check'])
    expect(all.status).toBe(1)
    const silent = folders.filter((each) => !brokenIn(all.stdout + all.stderr, each))
    expect(silent.map((each) => positions[folders.indexOf(each)])).toEqual([])
    for (const each of [folders[0], folders[180], folders[198], folders[199]])
      expect(await inProcess(['audit', each ?? '', '--check'])).toMatchObject({ status: 1 })
  })

  test('is found broken among others that are intact', async () => {
    const base = await stagingFolder({}, onTestFinished)
    const edited = Buffer.from(ledger)
    edited[100] = otherByte(edited[100] ?? 0)
    const folders = [copyWith(base, 'a', ledger), copyWith(base, 'b', edited), copyWith(base, 'c', ledger)]
    const all = await inProcess(['audit', ...folders, '--check'])
    expect(all.status).toBe(1)
    expect(folders.map((each) => brokenIn(all.stdout + all.stderr, each))).toEqual([false, true, false])
  })

  test.each([
    ['a line taken out', (lines: string[]) => lines.toSpliced(3, 1)],
    [
      'two lines that changed places',
      (lines: string[]) => lines.with(3, lines[4] ?? '').with(4, lines[3] ?? ''),
    ],
    ['a line that stands twice', (lines: string[]) => lines.toSpliced(3, 0, lines[3] ?? '')],
    ['its first line taken out', (lines: string[]) => lines.slice(1)],
  ])('is found broken with %s', async (_what, change) => {
    const lines = ledger.toString().trimEnd().split('\n')
    const base = await stagingFolder({}, onTestFinished)
    const copy = copyWith(base, 'changed', Buffer.from(`${change(lines).join('\n')}\n`))
    expect(await inProcess(['audit', copy, '--check'])).toMatchObject({ status: 1 })
    const { stdout } = await inProcess(['audit', copy, '--format', 'json'])
    expect(JSON.parse(stdout)).toMatchObject({ ledger: { intact: false } })
  })

  test('with its tail cut off shows against the head that was printed before', async () => {
    const lines = ledger.toString().trimEnd().split('\n')
    const base = await stagingFolder({}, onTestFinished)
    const copy = copyWith(base, 'cut', Buffer.from(`${lines.slice(0, -2).join('\n')}\n`))
    expect(await inProcess(['audit', copy, '--check', '--head', head])).toMatchObject({ status: 1 })
    const shortened = (JSON.parse(lines.at(-3) ?? '{}') as Entry).sum
    expect(await inProcess(['audit', copy, '--check', '--head', shortened])).toMatchObject({ status: 0 })
  })

  test('is not served on, not repaired and not overwritten', async () => {
    const base = await stagingFolder({}, onTestFinished)
    const edited = Buffer.from(ledger)
    edited[200] = otherByte(edited[200] ?? 0)
    const copy = copyWith(base, 'edited', edited)
    const served = await inProcess(['serve', copy, '--port', '0', '--page-port', '0'])
    expect(served.status).not.toBe(0)
    expect(served.stderr).toMatch(/broken at line \d+/)
    expect(readFileSync(ledgerFile(copy)).equals(edited)).toBe(true)
  })

  /** The outside check of the chain: nothing of ours, only sha256sum over the bytes before the `sum` member. */
  test('has sums that sha256sum (GNU coreutils) finds too', needs('Linux'), async () => {
    const lines = ledger.toString().trimEnd().split('\n')
    const base = await stagingFolder({}, onTestFinished)
    let prev = '0'.repeat(64)
    for (const [index, line] of lines.entries()) {
      const at = line.lastIndexOf(',"sum":')
      writeFileSync(join(base, `${index}`), line.slice(0, at))
      const { stdout } = await run('sha256sum', [`${index}`], { cwd: base })
      const entry = JSON.parse(line) as Entry
      expect(entry.sum).toBe(stdout.slice(0, 64))
      expect(entry.prev).toBe(prev)
      prev = entry.sum
    }
  })

  function copyWith(base: string, name: string, bytes: Buffer): string {
    const copy = join(base, name)
    mkdirSync(dirname(ledgerFile(copy)), { recursive: true })
    cpSync(join(folder, 'small.bin'), join(copy, 'small.bin'), { preserveTimestamps: true })
    writeFileSync(ledgerFile(copy), bytes)
    return copy
  }
})

function otherByte(byte: number): number {
  return byte === 0x41 ? 0x42 : 0x41
}

/** Whether the report of `audit --check` says of this folder's ledger that it is broken. */
function brokenIn(report: string, folder: string): boolean {
  const lines = report
    .split('\n')
    .filter((line) => line.includes(`${folder}/`) || line.includes(`${folder}\\`))
  return lines.some((line) => /broken/i.test(line)) && !lines.some((line) => /intact/i.test(line))
}

/** Both images are offered: asked for, since a folder that has not changed says nothing of its images. */
/** A client that has stopped in the middle of a large image. */
async function servedWithOneSlow(): Promise<{ served: ServedProgram; slow: RawClient }> {
  const served = await serveFolder(await stagingFolder(IMAGES, onTestFinished), { cleanUp: onTestFinished })
  await offered(served)
  const slow = await ask(served.port, '/large.bin')
  onTestFinished(() => slow.reset())
  await slow.readBody(100_000)
  return { served, slow }
}

async function offered(served: ServedProgram): Promise<void> {
  for (const name of Object.keys(IMAGES)) {
    for (let status = 503; status !== 200; await pause(20)) {
      const client = await ask(served.port, `/${name}`, { method: 'HEAD', lines: ['Connection: close'] })
      status = (await client.head()).status
      await client.close()
    }
  }
}
