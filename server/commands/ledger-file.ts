/** Where the ledger of a staging folder is, for the commands that only read. */
import { existsSync } from 'node:fs'
import { join, resolve } from 'node:path'
import { RECORDS_FOLDER } from '../defaults.ts'
import { FetchproofError } from '../errors.ts'
import { LEDGER_FILE } from '../ledger/read.ts'

/** Throws FP_LEDGER_MISSING, FP_FOLDER_MISSING. */
export function ledgerFileOf(folder: string, records: string | undefined): string {
  const place = resolve(records ?? join(folder, RECORDS_FOLDER))
  const file = join(place, LEDGER_FILE)
  if (existsSync(file)) return file
  if (records === undefined && !existsSync(folder)) {
    throw new FetchproofError('FP_FOLDER_MISSING', { folder: resolve(folder) })
  }
  throw new FetchproofError('FP_LEDGER_MISSING', { folder: place })
}
