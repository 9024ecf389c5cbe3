/**
 * The token of the bench page and of the local API: one a staging folder's records, in the user's own state folder.
 * It outlives a run, so that a page goes on by itself after a restart; `--new-token` renews it.
 */
import { createHash, randomBytes } from 'node:crypto'
import {
  closeSync,
  fchmodSync,
  openSync,
  realpathSync,
  renameSync,
  rmSync,
  statSync,
  writeFileSync,
} from 'node:fs'
import { join } from 'node:path'
import { systemCode } from '../errors.ts'
import { readRegular } from '../files/regular-file.ts'
import { makeUserStateFolder, userStateFolder } from '../files/user-state.ts'

const TOKEN = /^[\w-]{43}$/
const BYTES_AT_MOST = 1024

interface PageToken {
  readonly token: string
  /** Why it could not be kept: then it is that of this run alone. */
  readonly whyNotKept?: string
}

/** That of these records; undefined where there is none that only this user could have read. */
export function readPageToken(records: string): string | undefined {
  try {
    const file = fileOf(userStateFolder(), records)
    const text = readRegular(file, BYTES_AT_MOST).toString('utf8').trim()
    return TOKEN.test(text) && isOwn(file) ? text : undefined
  } catch (error) {
    if (systemCode(error) !== undefined) return undefined
    throw error
  }
}

/** For a server: the one that is there, or a new one. */
export function takePageToken(records: string, renew: boolean): PageToken {
  const known = renew ? undefined : readPageToken(records)
  if (known !== undefined) return { token: known }
  const token = randomBytes(32).toString('base64url')
  try {
    const file = fileOf(makeUserStateFolder(), records)
    writeForOwner(file, `${token}\n`)
    return { token }
  } catch (error) {
    return { token, whyNotKept: systemCode(error) ?? String(error) }
  }
}

/** Readable by its owner alone from its first byte on; in the place of one that is there. */
export function writeForOwner(file: string, text: string): void {
  const draft = `${file}.${randomBytes(6).toString('hex')}`
  const descriptor = openSync(draft, 'wx', 0o600)
  try {
    fchmodSync(descriptor, 0o600)
    writeFileSync(descriptor, text)
  } finally {
    closeSync(descriptor)
  }
  try {
    renameSync(draft, file)
  } catch (error) {
    rmSync(draft, { force: true })
    throw error
  }
}

function fileOf(folder: string, records: string): string {
  return join(folder, `token-${createHash('sha256').update(realPath(records)).digest('hex').slice(0, 32)}`)
}

function realPath(path: string): string {
  try {
    return realpathSync(path)
  } catch {
    return path
  }
}

/** Others may have read what others may read. Windows has no such modes; its profile folders are the user's. */
function isOwn(file: string): boolean {
  if (process.platform === 'win32') return true
  const { mode, uid } = statSync(file)
  return (mode & 0o077) === 0 && uid === process.getuid?.()
}
