/** An entry as if a ledger had taken it, where no ledger is needed: for tests of what is derived from entries. */
import type { EntryOf, NewEntry } from '../../server/ledger/entries.ts'

export function recorded<E extends NewEntry>(
  entry: E,
  seq = 1,
  at = '2026-03-03T18:00:00.000Z',
): EntryOf<E['kind']> {
  return { seq, at, prev: '', sum: '', ...entry } as unknown as EntryOf<E['kind']>
}
