/**
 * The records folder may have come with a borrowed staging folder. Links in it would let whoever packed it choose
 * which file of this laptop is emptied, copied or appended to; a named pipe would hold us up for ever. So each file
 * that we write must be a regular one, and `.fetchproof` itself a folder and no link.
 */
import { chmodSync, lstatSync } from 'node:fs'
import { basename, join } from 'node:path'
import { RECORDS_FOLDER } from '../defaults.ts'
import { FetchproofError } from '../errors.ts'
import { LOCK_FILE } from './lock.ts'
import { LEDGER_FILE } from './read.ts'
import { RESERVE_FILE } from './reserve.ts'

/** Throws FP_LEDGER_FOREIGN, before anything was touched. */
export function assertOwn(records: string): void {
  // A folder that a person named with --records may well be a link.
  if (basename(records) === RECORDS_FOLDER && lstatSync(records).isSymbolicLink()) throw foreign(records)
  for (const name of [LOCK_FILE, LEDGER_FILE, RESERVE_FILE]) {
    const path = join(records, name)
    const found = lstatSync(path, { throwIfNoEntry: false })
    if (found !== undefined && !found.isFile()) throw foreign(path)
  }
}

function foreign(path: string): FetchproofError {
  return new FetchproofError('FP_LEDGER_FOREIGN', { path })
}

/** What devices fetched and what they are is nobody else's business, where the system has modes. */
export function keepToOwner(records: string): void {
  if (process.platform === 'win32' || basename(records) !== RECORDS_FOLDER) return
  try {
    chmodSync(records, 0o700)
  } catch {
    // Another user's, or a disk without modes: it is as it was brought.
  }
}
