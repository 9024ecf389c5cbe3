/**
 * The entries of several ledgers as one sequence: within each its own order, whatever its clock was set to; between
 * them the clock.
 */
import type { Entry } from '../ledger/entries.ts'
import { type LedgerCheck, readChecked } from '../ledger/read.ts'

/** `ledger`: which of the files; `seq`: the place in the sequence, from 1, that of the ledger where there is one. */
type TakeMerged = (entry: Entry, ledger: number, seq: number) => void

interface Source {
  readonly batches: AsyncGenerator<readonly Entry[], LedgerCheck, void>
  /** Read and not led on yet, the next one last; empty when there is no more. */
  pending: Entry[]
  check: LedgerCheck | undefined
}

/** What each chain is worth. Throws FP_LEDGER_MISSING. Lines that cannot be read are passed over. */
export async function leadMerged(files: readonly string[], take: TakeMerged): Promise<LedgerCheck[]> {
  const sources = files.map((file): Source => ({ batches: readChecked(file), pending: [], check: undefined }))
  for (const source of sources) await fill(source)
  let seq = 0
  for (;;) {
    const next = earliestOf(sources)
    const entry = next?.pending.pop()
    if (next === undefined || entry === undefined) break
    seq = files.length === 1 ? entry.seq : seq + 1
    take(entry, sources.indexOf(next), seq)
    if (next.pending.length === 0) await fill(next)
  }
  return sources.flatMap(({ check }) => check ?? [])
}

async function fill(source: Source): Promise<void> {
  while (source.pending.length === 0 && source.check === undefined) {
    const next = await source.batches.next()
    if (next.done === true) source.check = next.value
    else source.pending = next.value.toReversed()
  }
}

/** By the clock of their next entries; of those at one time the first ledger. */
function earliestOf(sources: readonly Source[]): Source | undefined {
  let earliest: Source | undefined
  let earliestAt: string | undefined
  for (const source of sources) {
    const at = source.pending.at(-1)?.at
    if (at === undefined || (earliestAt !== undefined && at >= earliestAt)) continue
    earliest = source
    earliestAt = at
  }
  return earliest
}
