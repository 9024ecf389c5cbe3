/** What goes wrong with the ledger's folder or file, as coded errors that say it in words. */
import { FetchproofError, messageOf, systemCode } from '../errors.ts'
import { isNoRoom } from './file-access.ts'

export function noRoom(records: string, cause?: unknown): FetchproofError {
  return new FetchproofError('FP_LEDGER_FULL', { folder: records }, { cause })
}

export function unwritable(records: string, cause: unknown): FetchproofError {
  return new FetchproofError('FP_LEDGER_UNWRITABLE', { folder: records, cause: wordsOf(cause) }, { cause })
}

/** System errors as coded ones; anything else (a mistake in the program) as it is. */
export function asLedgerError(error: unknown, records: string): unknown {
  if (error instanceof FetchproofError || systemCode(error) === undefined) return error
  return isNoRoom(error) ? noRoom(records, error) : unwritable(records, error)
}

const CAUSES: Readonly<Record<string, string>> = {
  EACCES: 'permission denied',
  EPERM: 'the system does not permit it',
  EROFS: 'the disk or share is read-only',
  ENOTDIR: 'a file stands where the folder should be',
  EEXIST: 'a file stands where the folder should be',
  ENOENT: 'the place does not exist',
  EIO: 'the disk reports a read or write error',
  ENODEV: 'the disk is gone',
  ENXIO: 'the disk is gone',
  ESTALE: 'the share is gone',
}

function wordsOf(error: unknown): string {
  const code = systemCode(error) ?? ''
  const words = CAUSES[code]
  return words === undefined ? messageOf(error) : `${words}, ${code}`
}
