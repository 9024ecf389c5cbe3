/**
 * One writer a ledger: `lock.json` in the records folder says who. It also carries the port by which other commands
 * reach the running server. Only its owner may read it (0600).
 *
 * A lock is stale when it was taken on this host and its process is gone: another boot, no such process, a process
 * that began at another time under the same number, or, where that time is not shown, one that does not answer on the
 * lock's lifeline. With our own number it is stale unless we hold it. Two starters may see the same stale lock at once; a
 * second lock named after the stale one's token (`lock.claim-…`) decides which of them replaces it:
 *
 *   claim taken -> the lock still is the one that was judged? -> replaced by rename -> claim removed
 *
 * Only a holder of that claim may replace that lock, and a token never comes back, so a starter that was slow finds
 * another token there and looks again. A claim whose owner died is a stale lock like any other.
 */
import { hash, randomBytes } from 'node:crypto'
import { linkSync, lstatSync, readdirSync, rmSync, statSync, writeFileSync } from 'node:fs'
import { dirname, join } from 'node:path'
import { setTimeout as pause } from 'node:timers/promises'
import Type, { type Static } from 'typebox'
import { Value } from 'typebox/value'
import { FetchproofError, systemCode } from '../errors.ts'
import { NOT_REGULAR, readRegular, TOO_LARGE } from '../files/regular-file.ts'
import { renameOver } from '../files/replacing.ts'
import { answers, openLifeline } from './lifeline.ts'
import { type Here, hereNow, lifeOf } from './process-life.ts'

export const LOCK_FILE = 'lock.json'
const CLAIM_PREFIX = 'lock.claim-'
/** How long another starter may take to finish a takeover before we give up. */
const PATIENCE_MS = 5_000
const TORN_AFTER_MS = 3_000
/** Ours has some 340 bytes. */
const LOCK_BYTES_AT_MOST = 64 * 1024
/** What stands there is no lock of ours: a named pipe, a link, something huge. */
const NO_LOCK: ReadonlySet<string | undefined> = new Set(['ELOOP', NOT_REGULAR, TOO_LARGE])

/** What makes a lock of what was read, which may have come with a borrowed folder. */
const HOLDER = Type.Object({
  /** 32 random bytes, base64url: names this lock. */
  token: Type.String(),
  host: Type.String(),
  pid: Type.Integer({ minimum: 1, maximum: Number.MAX_SAFE_INTEGER }),
  /** Port of the bench page and API on loopback; null until it listens. */
  pagePort: Type.Union([Type.Null(), Type.Integer({ minimum: 1, maximum: 65_535 })]),
  /** RFC 3339 UTC. */
  since: Type.String(),
})

/** What the lock file says. */
export interface LockHolder extends Here, Readonly<Omit<Static<typeof HOLDER>, keyof Here>> {
  /** Where the system does not show when a process began: by which id the holder answers (lifeline.ts). */
  readonly lifeline?: string | null
}

/** Of the locks and claims of this process. */
const ownTokens = new Set<string>()

export type Lock = Awaited<ReturnType<typeof takeLock>>

export interface LockOptions {
  readonly now?: (() => number) | undefined
  /** Who we are; passed in by tests. */
  readonly here?: Here
}

/**
 * Takes the lock of a records folder, which exists. Throws FP_LEDGER_HELD, and FP_LEDGER_UNWRITABLE when the file
 * system does not keep a file exclusive; system errors of the folder come as they are.
 */
export async function takeLock(records: string, { now = Date.now, here = hereNow() }: LockOptions = {}) {
  const file = join(records, LOCK_FILE)
  const lifeline = here.processStart === null ? await openLifeline() : undefined
  const holder: LockHolder = {
    ...here,
    token: newToken(),
    pagePort: null,
    since: new Date(now()).toISOString(),
    lifeline: lifeline?.id ?? null,
  }
  try {
    await take(file, holder, Date.now() + PATIENCE_MS)
    if (createExclusively(file, holder)) {
      throw new FetchproofError('FP_LEDGER_UNWRITABLE', {
        folder: records,
        cause: 'this file system does not keep a lock file exclusive',
      })
    }
  } catch (error) {
    lifeline?.close()
    throw error
  }
  sweep(records)
  return {
    token: holder.token,
    file,
    /** Rewrites the lock file at once (rename). Rejects with FP_LEDGER_HELD when it is no longer ours. */
    async announce({ pagePort }: { pagePort: number | null }): Promise<void> {
      const other = seen(file)?.holder
      if (other !== undefined && other.token !== holder.token) throw heldBy(other, file)
      await replace(file, { ...holder, pagePort })
    },
    /** Removes the lock file when it is still ours. Idempotent. */
    release(): void {
      if (seen(file)?.holder?.token === holder.token) rmSync(file, { force: true })
      lifeline?.close()
    },
  }
}

/**
 * The holder of the lock, or undefined when there is none or it is surely gone. One on another host cannot be
 * judged from here and counts as living.
 */
export async function readLock(records: string, here: Here = hereNow()): Promise<LockHolder | undefined> {
  let holder: LockHolder | undefined
  try {
    holder = seen(join(records, LOCK_FILE))?.holder
  } catch (error) {
    if (!NO_LOCK.has(systemCode(error))) throw error
  }
  return holder === undefined || (await isGone(holder, here)) ? undefined : holder
}

async function isGone(holder: LockHolder, here: Here): Promise<boolean> {
  if (ownTokens.has(holder.token)) return false
  const life = lifeOf(holder, here)
  return life === 'gone' || (life === 'unknown' && !(await answers(holder.lifeline)))
}

async function take(file: string, mine: LockHolder, deadline: number): Promise<void> {
  for (;;) {
    if (createExclusively(file, mine)) return
    const found = seen(file)
    if (found === undefined) continue
    const { holder } = found
    // One that names nobody is being written at this moment, or was left half-written by a power loss.
    const isLeft =
      holder === undefined ? Math.abs(Date.now() - found.mtimeMs) > TORN_AFTER_MS : await isGone(holder, mine)
    if (isLeft && (await takeOver(file, found.id, mine, deadline))) return
    if (!isLeft && holder !== undefined && !file.includes(CLAIM_PREFIX)) throw heldBy(holder, file)
    if (Date.now() > deadline) throw heldBy(holder ?? mine, file)
    await pause(10)
  }
}

/** Name of the claim on the lock with this token. */
export function claimNameOf(id: string): string {
  return CLAIM_PREFIX + hash('sha256', id, 'hex').slice(0, 32)
}

/** Replaces a stale lock; false when another starter was faster, and the lock must be looked at again. */
async function takeOver(file: string, id: string, mine: LockHolder, deadline: number): Promise<boolean> {
  const claim = join(dirname(file), claimNameOf(id))
  await take(claim, { ...mine, token: newToken() }, deadline)
  try {
    if (seen(file)?.id !== id) return false
    await replace(file, mine)
    return true
  } finally {
    rmSync(claim, { force: true })
  }
}

/**
 * Creates the file with its whole content, or returns false when it exists. A hard link makes content and name
 * appear together; where there are none (FAT, some shares) O_EXCL and a write do it in two steps.
 */
function createExclusively(file: string, holder: LockHolder): boolean {
  const draft = writeDraft(file, holder)
  try {
    linkSync(draft, file)
    return true
  } catch (error) {
    if (systemCode(error) === 'EEXIST') return false
  } finally {
    rmSync(draft, { force: true })
  }
  try {
    writeNew(file, holder)
    return true
  } catch (error) {
    if (systemCode(error) === 'EEXIST') return false
    throw error
  }
}

async function replace(file: string, holder: LockHolder): Promise<void> {
  const draft = writeDraft(file, holder)
  try {
    await renameOver(draft, file)
  } catch (error) {
    rmSync(draft, { force: true })
    throw error
  }
}

function writeDraft(file: string, holder: LockHolder): string {
  const draft = `${file}.${holder.pid}-${randomBytes(6).toString('hex')}`
  writeNew(draft, holder)
  return draft
}

function writeNew(file: string, holder: LockHolder): void {
  writeFileSync(file, `${JSON.stringify(holder, null, 2)}\n`, { flag: 'wx', mode: 0o600, flush: true })
}

interface Seen {
  /** Names this very lock: its token, or its bytes and time where it has none. */
  readonly id: string
  readonly holder: LockHolder | undefined
  readonly mtimeMs: number
}

function seen(file: string): Seen | undefined {
  try {
    const text = readRegular(file, LOCK_BYTES_AT_MOST).toString('utf8')
    const { mtimeMs, ino } = statSync(file)
    const holder = parseHolder(text)
    return { id: holder?.token ?? `${ino} ${mtimeMs} ${text}`, holder, mtimeMs }
  } catch (error) {
    if (systemCode(error) === 'ENOENT' || systemCode(error) === 'ENOTDIR') return undefined
    throw error
  }
}

function parseHolder(text: string): LockHolder | undefined {
  try {
    const value: unknown = JSON.parse(text)
    return Value.Check(HOLDER, value) ? (value as LockHolder) : undefined
  } catch {
    return undefined
  }
}

/** What starters left that died: claims on locks that are gone decide nothing, and a draft lives for milliseconds. */
function sweep(records: string): void {
  for (const name of readdirSync(records)) {
    const leftOver = name.startsWith(CLAIM_PREFIX) || name.startsWith(`${LOCK_FILE}.`)
    const found = leftOver ? lstatSync(join(records, name), { throwIfNoEntry: false }) : undefined
    // A folder that stands there is none of ours.
    if (found?.isFile() && Date.now() - found.mtimeMs > 60_000) rmSync(join(records, name), { force: true })
  }
}

function heldBy(holder: LockHolder, file: string): FetchproofError {
  const lockFile = file.includes(CLAIM_PREFIX) ? join(dirname(file), LOCK_FILE) : file
  const ifGone = `If that program surely no longer runs, delete ${lockFile} and start again.`
  const { pid, host, since } = holder
  return new FetchproofError('FP_LEDGER_HELD', { pid, host, since, ifGone })
}

function newToken(): string {
  const token = randomBytes(32).toString('base64url')
  ownTokens.add(token)
  return token
}
