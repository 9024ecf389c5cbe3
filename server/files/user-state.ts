/**
 * What belongs to this user alone, outside any staging folder: that may have been borrowed, and other users of the
 * laptop may read it. Random texts among it prove that something was done here, and by this user; they outlive a run.
 * XDG Base Directory Specification 0.8 (`XDG_STATE_HOME`); the other systems' places are common practice.
 */
import { randomBytes } from 'node:crypto'
import {
  chmodSync,
  closeSync,
  fchmodSync,
  mkdirSync,
  openSync,
  renameSync,
  rmSync,
  statSync,
  writeFileSync,
} from 'node:fs'
import { homedir } from 'node:os'
import { isAbsolute, join } from 'node:path'
import { systemCode } from '../errors.ts'
import { readRegular } from './regular-file.ts'

const SECRET = /^[\w-]{43}$/
const BYTES_AT_MOST = 1024

/** Absolute; it need not exist. Throws ENOENT for a user who has no home folder. */
function userStateFolder(): string {
  const { env, platform } = process
  const named = platform === 'win32' ? env.LOCALAPPDATA : env.XDG_STATE_HOME
  // A relative one is to be ignored (the specification).
  if (named !== undefined && isAbsolute(named)) return join(named, 'fetchproof')
  if (platform === 'win32') return join(home(), 'AppData', 'Local', 'fetchproof')
  if (platform === 'darwin') return join(home(), 'Library', 'Application Support', 'fetchproof')
  return join(home(), '.local', 'state', 'fetchproof')
}

function home(): string {
  try {
    return homedir()
  } catch (error) {
    // Neither HOME nor an account in the system's list, as in a container.
    throw Object.assign(new Error('this user has no home folder', { cause: error }), { code: 'ENOENT' })
  }
}

/** Makes it, for its owner alone where the system has modes. Throws the system's errors. */
export function makeUserStateFolder(): string {
  const folder = userStateFolder()
  mkdirSync(folder, { recursive: true, mode: 0o700 })
  // It may have been there already, and the mode of a new one is cut by the umask alone.
  if (process.platform !== 'win32') chmodSync(folder, 0o700)
  return folder
}

/** The one of this name; undefined where there is none that only this user could have read. */
export function readOwnSecret(name: string): string | undefined {
  try {
    const file = join(userStateFolder(), name)
    const text = readRegular(file, BYTES_AT_MOST).toString('utf8').trim()
    return SECRET.test(text) && isOwn(file) ? text : undefined
  } catch (error) {
    if (systemCode(error) !== undefined) return undefined
    throw error
  }
}

/** The one that is there, or a new one. `whyNotKept`: then it is that of this run alone. */
export function takeOwnSecret(name: string, renew = false): { secret: string; whyNotKept?: string } {
  const known = renew ? undefined : readOwnSecret(name)
  if (known !== undefined) return { secret: known }
  const secret = randomBytes(32).toString('base64url')
  try {
    writeForOwner(join(makeUserStateFolder(), name), `${secret}\n`)
    return { secret }
  } catch (error) {
    return { secret, whyNotKept: systemCode(error) ?? String(error) }
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

/** Others may have read what others may read. Windows has no such modes; its profile folders are the user's. */
function isOwn(file: string): boolean {
  if (process.platform === 'win32') return true
  const { mode, uid } = statSync(file)
  return (mode & 0o077) === 0 && uid === process.getuid?.()
}
