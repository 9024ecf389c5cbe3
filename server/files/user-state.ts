/**
 * Where a program keeps what belongs to the user alone, outside any staging folder: that may have been borrowed, and
 * other users of the laptop may read it. XDG Base Directory Specification 0.8 (`XDG_STATE_HOME`); the other systems'
 * places are common practice.
 */
import { chmodSync, mkdirSync } from 'node:fs'
import { homedir } from 'node:os'
import { isAbsolute, join } from 'node:path'

interface UserPlace {
  readonly env: Readonly<Record<string, string | undefined>>
  readonly platform: NodeJS.Platform
  readonly home: string
}

const HERE = (): UserPlace => ({ env: process.env, platform: process.platform, home: homedir() })

/** Absolute; it need not exist. */
export function userStateFolder({ env, platform, home }: UserPlace = HERE()): string {
  const named = platform === 'win32' ? env.LOCALAPPDATA : env.XDG_STATE_HOME
  // A relative one is to be ignored (the specification).
  if (named !== undefined && isAbsolute(named)) return join(named, 'fetchproof')
  if (platform === 'win32') return join(home, 'AppData', 'Local', 'fetchproof')
  if (platform === 'darwin') return join(home, 'Library', 'Application Support', 'fetchproof')
  return join(home, '.local', 'state', 'fetchproof')
}

/** Makes it, for its owner alone where the system has modes. Throws the system's errors. */
export function makeUserStateFolder(place?: UserPlace): string {
  const folder = userStateFolder(place)
  mkdirSync(folder, { recursive: true, mode: 0o700 })
  // It may have been there already, and the mode of a new one is cut by the umask alone.
  if (process.platform !== 'win32') chmodSync(folder, 0o700)
  return folder
}
