/**
 * The entries of several ledgers as one sequence: within each its own order, whatever its clock was set to; between
 * them the clock.
 */
import type { Entry } from '../ledger/entries.ts'
import { type LedgerCheck, readChecked } from '../ledger/read.ts'

/** `ledger`: which of the files; `seq`: the place in the sequence, from 1, that of the ledger where there is one. */
type TakeMerged = (entry: Entry, ledger: number, seq: number) => void

interface Source {
  readonly ledger: number
  readonly batches: AsyncGenerator<readonly Entry[], LedgerCheck, void>
  /** Read and not led on yet; empty when there is no more. */
  pending: Entry[]
  check: LedgerCheck | undefined
}

/** What each chain is worth. Throws FP_LEDGER_MISSING. Lines that cannot be read are passed over. */
export async function leadMerged(files: readonly string[], take: TakeMerged): Promise<LedgerCheck[]> {
  const sources = files.map(
    (file, ledger): Source => ({ ledger, batches: readChecked(file), pending: [], check: undefined }),
  )
  for (const source of sources) await fill(source)
  let seq = 0
  for (;;) {
    const [next, ...others] = sources.filter(({ pending }) => pending.length > 0).sort(byClock)
    if (next === undefined) break
    const until = others[0]?.pending[0]?.at
    const run = takeUntil(next.pending, until)
    for (const entry of run) {
      seq = files.length === 1 ? entry.seq : seq + 1
      take(entry, next.ledger, seq)
    }
    if (next.pending.length === 0) await fill(next)
  }
  return sources.flatMap(({ check }) => check ?? [])
}

async function fill(source: Source): Promise<void> {
  while (source.pending.length === 0 && source.check === undefined) {
    const next = await source.batches.next()
    if (next.done === true) source.check = next.value
    else source.pending = [...next.value]
  }
}

function byClock(a: Source, b: Source): number {
  const [first, second] = [a.pending[0]?.at ?? '', b.pending[0]?.at ?? '']
  return first < second ? -1 : first > second ? 1 : a.ledger - b.ledger
}

/** At least one. */
function takeUntil(pending: Entry[], at: string | undefined): Entry[] {
  if (at === undefined) return pending.splice(0)
  const end = pending.findIndex((entry, index) => index > 0 && entry.at > at)
  return pending.splice(0, end === -1 ? pending.length : end)
}
