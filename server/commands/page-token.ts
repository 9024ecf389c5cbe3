/**
 * The token of the bench page and of the local API: one a staging folder's records. It outlives a run, so that a page
 * goes on by itself after a restart; `--new-token` renews it.
 */
import { createHash } from 'node:crypto'
import { realpathSync } from 'node:fs'
import { readOwnSecret, takeOwnSecret } from '../files/user-state.ts'

/** That of these records; undefined where there is none that only this user could have read. */
export const readPageToken = (records: string): string | undefined => readOwnSecret(nameOf(records))

/** For a server: the one that is there, or a new one. */
export const takePageToken = (records: string, renew: boolean) => takeOwnSecret(nameOf(records), renew)

export function pageAddress(port: number, token: string): string {
  return `http://127.0.0.1:${port}/#token=${token}`
}

function nameOf(records: string): string {
  return `token-${createHash('sha256').update(realPath(records)).digest('hex').slice(0, 32)}`
}

function realPath(path: string): string {
  try {
    return realpathSync(path)
  } catch {
    return path
  }
}
