import { spawnSync } from 'node:child_process'
import { once } from 'node:events'
import {
  existsSync,
  mkdirSync,
  readdirSync,
  readFileSync,
  rmSync,
  statSync,
  utimesSync,
  writeFileSync,
} from 'node:fs'
import { join } from 'node:path'
import { describe, expect, onTestFinished, test } from 'vitest'
import { openLedger } from '../../server/ledger/ledger.ts'
import {
  claimNameOf,
  LOCK_FILE,
  type Lock,
  type LockHolder,
  type LockOptions,
  readLock,
  takeLock,
} from '../../server/ledger/lock.ts'
import { type Here, hereNow, lifeOf } from '../../server/ledger/process-life.ts'
import { needs } from '../needs.ts'
import { childProgram, startChild } from './child-process.ts'
import { newFolder } from './records-folder.ts'

async function taken(folder: string, options?: LockOptions): Promise<Lock> {
  const lock = await takeLock(folder, options)
  onTestFinished(() => lock.release())
  return lock
}

/** A number that no process has: one that has just ended. */
function endedPid(): number {
  return spawnSync(process.execPath, ['--version']).pid
}

/** A number that a process has for as long as this one runs. */
const LIVING = process.ppid

function writeLock(folder: string, holder: Partial<LockHolder>): LockHolder {
  const whole = {
    ...hereNow(),
    token: 'stale-token',
    pagePort: 8081,
    since: '2026-01-05T09:00:00.000Z',
    ...holder,
  }
  writeFileSync(join(folder, LOCK_FILE), JSON.stringify(whole))
  return whole
}

describe('the lock', () => {
  test('says who holds the ledger since when, with a token, readable by its owner alone', async () => {
    const folder = newFolder()
    const lock = await taken(folder, { now: () => Date.UTC(2026, 0, 5, 9) })
    const stored = JSON.parse(readFileSync(lock.file, 'utf8')) as LockHolder
    expect(stored).toEqual({ ...hereNow(), ...stored })
    expect(stored).toMatchObject({ pid: process.pid, pagePort: null, since: '2026-01-05T09:00:00.000Z' })
    expect(Buffer.from(stored.token, 'base64url')).toHaveLength(32)
    if (process.platform !== 'win32') expect(statSync(lock.file).mode & 0o777).toBe(0o600)
  })

  test('is refused while it is held, naming the holder and the file to delete in need', async () => {
    const folder = newFolder()
    await taken(folder)
    const refusal = await takeLock(folder).then(
      () => undefined,
      (error: Error) => error,
    )
    expect(refusal).toMatchObject({
      code: 'FP_LEDGER_HELD',
      fields: { pid: process.pid, host: hereNow().host },
    })
    expect(refusal?.message).toContain(join(folder, LOCK_FILE))
  })

  test('announces the page port to readers and stays private', async () => {
    const folder = newFolder()
    const lock = await taken(folder)
    await lock.announce({ pagePort: 8081 })
    expect(await readLock(folder)).toMatchObject({ token: lock.token, pagePort: 8081 })
    if (process.platform !== 'win32') expect(statSync(lock.file).mode & 0o777).toBe(0o600)
    expect(readdirSync(folder)).toEqual([LOCK_FILE])
  })

  test('is given back once, and never takes away that of another', async () => {
    const folder = newFolder()
    const first = await taken(folder)
    first.release()
    expect(readdirSync(folder)).toEqual([])
    const second = await taken(folder)
    first.release()
    expect(await readLock(folder)).toMatchObject({ token: second.token })
    await expect(first.announce({ pagePort: 1 })).rejects.toMatchObject({ code: 'FP_LEDGER_HELD' })
  })

  test('readers see none where there is none or its process is gone', async () => {
    const folder = newFolder()
    expect(await readLock(folder)).toBeUndefined()
    writeLock(folder, { pid: endedPid() })
    expect(await readLock(folder)).toBeUndefined()
  })
})

describe('a lock that somebody left', () => {
  test('is taken over when its process is gone, and nothing is left beside it', async () => {
    const folder = newFolder()
    writeLock(folder, { pid: endedPid() })
    const lock = await taken(folder)
    expect(await readLock(folder)).toMatchObject({ token: lock.token, pid: process.pid })
    expect(readdirSync(folder)).toEqual([LOCK_FILE])
  })

  test('is taken over after another boot, though the number is in use again', async () => {
    const folder = newFolder()
    const here = { ...hereNow(), bootId: 'this-boot' }
    writeLock(folder, { bootId: 'another-boot' })
    await expect(taken(folder, { here })).resolves.toBeDefined()
  })

  test('is taken over when another process has its number now', needs('Linux'), async () => {
    const folder = newFolder()
    writeLock(folder, { processStart: '1' })
    await expect(taken(folder)).resolves.toBeDefined()
  })

  test('is taken over though an earlier takeover died half-way', async () => {
    const folder = newFolder()
    const pid = endedPid()
    writeLock(folder, { pid })
    const claim = join(folder, claimNameOf('stale-token'))
    writeFileSync(
      claim,
      JSON.stringify({ ...hereNow(), pid, token: 'dead-claim', pagePort: null, since: '' }),
    )
    await expect(taken(folder)).resolves.toBeDefined()
    expect(readdirSync(folder)).toEqual([LOCK_FILE])
  })

  test('is taken over when a power loss left it empty', async () => {
    const folder = newFolder()
    const file = join(folder, LOCK_FILE)
    writeFileSync(file, '')
    const longAgo = new Date(Date.now() - 60_000)
    utimesSync(file, longAgo, longAgo)
    await expect(taken(folder)).resolves.toBeDefined()
  })

  test('is left alone when it is of another host', async () => {
    const folder = newFolder()
    const before = writeLock(folder, { host: 'another-laptop', pid: endedPid(), bootId: 'another-boot' })
    await expect(takeLock(folder)).rejects.toMatchObject({
      code: 'FP_LEDGER_HELD',
      message: expect.stringMatching(/another-laptop.*delete .*lock\.json/),
    })
    expect(await readLock(folder)).toEqual(before)
  })
})

/** It may have come with a borrowed folder. */
describe('a lock that was made to hurt', () => {
  /** Names a process that runs, by all that can be compared. */
  const living = (more: object): string =>
    JSON.stringify({
      ...hereNow(),
      token: 't',
      pagePort: 8081,
      since: '',
      pid: LIVING,
      processStart: null,
      ...more,
    })

  function plant(text: string): string {
    const folder = newFolder()
    const file = join(folder, LOCK_FILE)
    writeFileSync(file, text)
    utimesSync(file, 1_700_000_000, 1_700_000_000)
    return folder
  }

  test.each([
    ['a list', '[]'],
    ['a number', '7'],
    ['null', 'null'],
    ['the prototype', '{"__proto__":{"token":"t","host":"h","pid":1,"pagePort":1,"since":""}}'],
    ['a process that is a text', living({ pid: String(LIVING) })],
    ['a process of no system', living({ pid: 1e300 })],
    ['a page on a port that is none', living({ pagePort: 70_000 })],
    ['a page elsewhere', living({ pagePort: '8081@192.0.2.66:80' })],
    ['a time that is a list', living({ since: [[[]]] })],
    ['a host that is a list', living({ host: ['h'] })],
    ['a token that is an object', living({ token: {} })],
    ['depth', '['.repeat(60_000)],
  ])('%s is none, and is taken over', async (_what, text) => {
    const folder = plant(text)
    expect(await readLock(folder)).toBeUndefined()
    const lock = await taken(folder)
    expect(await readLock(folder)).toMatchObject({ token: lock.token })
    expect(readdirSync(folder)).toEqual([LOCK_FILE])
  })

  test('a well-formed one that names a living process is believed: the planted ones above differ in one thing', async () => {
    const folder = plant(living({}))
    expect(await readLock(folder)).toMatchObject({ pid: LIVING })
    await expect(takeLock(folder)).rejects.toMatchObject({ code: 'FP_LEDGER_HELD' })
  })

  test.each<[string, (file: string) => void]>([
    ['65 KiB', (file) => writeFileSync(file, 'x'.repeat(65 * 1024))],
    ['a folder', (file) => mkdirSync(file)],
  ])('%s is refused, and readers see none', async (_what, make) => {
    const folder = newFolder()
    make(join(folder, LOCK_FILE))
    await expect(openLedger({ records: folder })).rejects.toMatchObject({
      code: expect.stringMatching(/^FP_LEDGER_(FOREIGN|UNWRITABLE)$/),
    })
    expect(await readLock(folder)).toBeUndefined()
  })

  test('folders that are named like what starters leave behind kept the server from starting', async () => {
    const folder = newFolder()
    const left = [`${LOCK_FILE}.1-000000000000`, claimNameOf('x')]
    for (const name of left) {
      mkdirSync(join(folder, name))
      utimesSync(join(folder, name), 0, 0)
    }
    await taken(folder)
    expect(new Set(readdirSync(folder))).toEqual(new Set([LOCK_FILE, ...left]))
  })
})

describe('whether a holder is gone', () => {
  const here: Here = { ...hereNow(), bootId: null, uptimeSeconds: 1000, pidSpace: null, processStart: null }

  test('without boot ids, less time since the start of the system means another boot', () => {
    expect(lifeOf({ ...here, pid: LIVING, uptimeSeconds: 2000 }, here)).toBe('gone')
    expect(lifeOf({ ...here, pid: LIVING, uptimeSeconds: 900 }, here)).toBe('unknown')
  })

  test('a process in another name space cannot be judged', () => {
    const pid = endedPid()
    expect(lifeOf({ ...here, pid, pidSpace: 'pid:[1]' }, { ...here, pidSpace: 'pid:[2]' })).toBe('running')
    expect(lifeOf({ ...here, pid }, here)).toBe('gone')
  })

  test('a laptop that was given another name since locked itself out', needs('Linux'), () => {
    const now = hereNow()
    const renamed = { ...now, host: 'another-name' }
    expect(lifeOf({ ...renamed, pid: endedPid() }, now)).toBe('gone')
    // proc(5): field 22, counted behind the name, which may hold blanks.
    const processStart = readFileSync(`/proc/${LIVING}/stat`, 'utf8').split(') ')[1]?.split(' ')[19] ?? null
    expect(lifeOf({ ...renamed, pid: LIVING, processStart }, now)).toBe('running')
    // In a container of the same boot the number is another process's.
    expect(lifeOf({ ...renamed, pid: endedPid(), pidSpace: 'pid:[1]' }, now)).toBe('running')
    expect(lifeOf({ ...renamed, pid: endedPid(), bootId: 'another-boot' }, now)).toBe('running')
  })
})

/** As on Windows and macOS, where the system does not show when a process began. */
describe('where the start of a process is not shown', () => {
  const here: Here = { ...hereNow(), processStart: null }

  test('a killed server that got its own number again locked itself out', async () => {
    const folder = newFolder()
    writeLock(folder, { processStart: null, lifeline: '00'.repeat(16) })
    const lock = await taken(folder, { here })
    expect(await readLock(folder, here)).toMatchObject({ token: lock.token })
  })

  test('another process that has the number of a killed server keeps no lock: it does not answer', async () => {
    const folder = newFolder()
    writeLock(folder, { pid: LIVING, processStart: null, lifeline: '00'.repeat(16) })
    expect(await readLock(folder, here)).toBeUndefined()
    await expect(taken(folder, { here })).resolves.toBeDefined()
  })

  test(
    'a holder that answers keeps its lock, also while it is busy or stopped, until it ends',
    needs('POSIX'),
    async () => {
      const folder = newFolder()
      const holder = startChild(process.execPath, [childProgram('hold-lock.mjs'), folder])
      expect(await holder.nextLine()).toBe('held')
      holder.process.kill('SIGSTOP')
      await expect(takeLock(folder, { here })).rejects.toMatchObject({ code: 'FP_LEDGER_HELD' })
      expect(await readLock(folder, here)).toMatchObject({ pid: holder.process.pid })
      // Its number goes to a process that lives on.
      const left = JSON.parse(readFileSync(join(folder, LOCK_FILE), 'utf8')) as LockHolder
      const ended = once(holder.process, 'exit')
      holder.process.kill('SIGKILL')
      await ended
      writeLock(folder, { ...left, pid: LIVING })
      expect(existsSync(`/tmp/fetchproof-${left.lifeline}.sock`)).toBe(true)
      await expect(taken(folder, { here })).resolves.toBeDefined()
      expect(existsSync(`/tmp/fetchproof-${left.lifeline}.sock`)).toBe(false)
    },
  )

  test.each([[null], [undefined], ['../../elsewhere']])(
    'a holder that has no line to answer on counts as running: %s',
    async (lifeline) => {
      const folder = newFolder()
      writeLock(folder, { pid: LIVING, processStart: null, ...(lifeline !== undefined && { lifeline }) })
      await expect(takeLock(folder, { here })).rejects.toMatchObject({ code: 'FP_LEDGER_HELD' })
    },
  )
})

test('of several starters at once exactly one wins, over a stale lock or none', async () => {
  const racers = Array.from({ length: 4 }, () =>
    startChild(process.execPath, [childProgram('race-for-lock.mjs')]),
  )
  for (const racer of racers) expect(await racer.nextLine()).toBe('ready')
  const pid = endedPid()
  for (let round = 0; round < 60; round += 1) {
    const folder = newFolder()
    if (round % 4 !== 0) writeLock(folder, { pid })
    if (round % 4 === 3) {
      const claim = { ...hereNow(), pid, token: 'dead-claim', pagePort: null, since: '' }
      writeFileSync(join(folder, claimNameOf('stale-token')), JSON.stringify(claim))
    }
    for (const racer of racers) racer.process.stdin.write(`${folder}\n`)
    const results = await Promise.all(racers.map((racer) => racer.nextLine()))
    const winners = results.filter((result) => result.startsWith('won '))
    expect(winners, `round ${round}: ${results.join(', ')}`).toHaveLength(1)
    expect(results.filter((result) => result === 'FP_LEDGER_HELD')).toHaveLength(3)
    expect((await readLock(folder))?.token).toBe(winners[0]?.slice('won '.length))
    rmSync(folder, { recursive: true })
  }
})
