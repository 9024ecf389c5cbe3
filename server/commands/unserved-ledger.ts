/** Appending to the ledger of a folder that nobody serves: with its lock, as the one writer for a moment. */
import type { Entry } from '../ledger/entries.ts'
import { type Ledger, openLedger } from '../ledger/ledger.ts'

/**
 * What `use` appends is on the disk when this resolves. `onEntry` gets what is there already. Throws FP_LEDGER_HELD
 * when somebody writes it after all, and the other coded errors of the ledger.
 */
export async function withLedger<T>(
  records: string,
  use: (ledger: Pick<Ledger, 'append'>) => Promise<T> | T,
  onEntry: (entry: Entry) => void = () => undefined,
): Promise<T> {
  const ledger = await openLedger({ records, onEntry })
  try {
    const result = await use(ledger)
    await ledger.synced()
    return result
  } finally {
    // Nothing was opened for serving, so nothing is recorded as closed.
    await ledger.abandon()
  }
}
