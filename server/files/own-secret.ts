/**
 * Random texts that this user alone knows, in the user's own state folder: what proves that something was done here, and
 * by this user. They outlive a run.
 */
import { randomBytes } from 'node:crypto'
import { closeSync, fchmodSync, openSync, renameSync, rmSync, statSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { systemCode } from '../errors.ts'
import { readRegular } from './regular-file.ts'
import { makeUserStateFolder, userStateFolder } from './user-state.ts'

const SECRET = /^[\w-]{43}$/
const BYTES_AT_MOST = 1024

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
