/** The ledger of a staging folder: where it is, and how one is written that nobody serves. */
import { existsSync } from 'node:fs'
import { join, resolve } from 'node:path'
import { RECORDS_FOLDER } from '../defaults.ts'
import { FetchproofError } from '../errors.ts'
import { type Ledger, type LedgerOptions, openLedger } from '../ledger/ledger.ts'
import { LEDGER_FILE } from '../ledger/read.ts'

/** Throws FP_LEDGER_MISSING, FP_FOLDER_MISSING. */
export function ledgerFileOf(folder: string, records: string | undefined): string {
  const place = resolve(records ?? join(folder, RECORDS_FOLDER))
  const [file] = ledgersIn(place)
  if (file !== undefined) return file
  if (records === undefined && !existsSync(folder)) {
    throw new FetchproofError('FP_FOLDER_MISSING', { folder: resolve(folder) })
  }
  throw new FetchproofError('FP_LEDGER_MISSING', { folder: place })
}

/** The one that is there, or none. */
export function ledgersIn(records: string): string[] {
  return [join(records, LEDGER_FILE)].filter(existsSync)
}

/**
 * Appends as the one writer for a moment: what `use` appends is on the disk when this resolves. Throws FP_LEDGER_HELD when
 * somebody writes it after all, and the other coded errors of the ledger.
 */
export async function withLedger<T>(
  options: Pick<LedgerOptions, 'records' | 'onEntry'>,
  use: (ledger: Pick<Ledger, 'append'>) => Promise<T> | T,
): Promise<T> {
  const ledger = await openLedger(options)
  try {
    const result = await use(ledger)
    await ledger.synced()
    return result
  } finally {
    // Nothing was opened for serving, so nothing is recorded as closed.
    await ledger.abandon()
  }
}
