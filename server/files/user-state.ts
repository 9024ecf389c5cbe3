/**
 * Where a program keeps what belongs to the user alone, outside any staging folder: that may have been borrowed, and
 * other users of the laptop may read it. XDG Base Directory Specification 0.8 (`XDG_STATE_HOME`); the other systems'
 * places are common practice.
 */
import { chmodSync, mkdirSync } from 'node:fs'
import { homedir } from 'node:os'
import { isAbsolute, join } from 'node:path'

/** Absolute; it need not exist. Throws ENOENT for a user who has no home folder. */
export function userStateFolder(): string {
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
