/**
 * What one ledger says of a visit beside its pulls: what was on offer, what people saw, who asked in vain, which
 * devices went dark. Takes the entries in their order, live as when they are read back; what was struck is left out
 * here and nowhere else.
 */
import type { FetchRecord } from '../delivery/records.ts'
import type { Entry, EntryOf } from '../ledger/entries.ts'
import { createOffers } from './offers.ts'
import type { DarkOrBack } from './plan-shape.ts'

/** An observation and its place among the entries of all ledgers that are read together. */
interface Observation {
  readonly entry: EntryOf<'observed'>
  readonly seq: number
}

/** What a client asked for without getting image bytes. */
export interface AskedInVain {
  /** The latest refusal, or the latest request that got headers alone. */
  readonly latest: FetchRecord
  readonly refusals: number
}

export type VisitEvidence = ReturnType<typeof createVisitEvidence>

/** Of the clients that came last; at least three quarters of them. More than any site has; a scan of a /64 must not fill the memory. */
const CLIENTS_AT_MOST = 20_000

export function createVisitEvidence() {
  const struck = new Set<number>()
  const offers = createOffers(struck)
  const observed: Observation[] = []
  const returns: DarkOrBack[] = []
  const asked = new Map<string, AskedInVain>()

  function forgetEarliest(): void {
    const seqs = Float64Array.from(asked.values(), ({ latest }) => latest.begunSeq).sort()
    const from = seqs[CLIENTS_AT_MOST >> 2] ?? 0
    for (const [key, { latest }] of asked) if (latest.begunSeq < from) asked.delete(key)
  }

  return {
    /** `seq`: where several ledgers are read together, its place among the entries of all of them. */
    apply(entry: Entry, seq: number = entry.seq): void {
      offers.apply(entry)
      if (entry.kind === 'observed') observed.push({ entry, seq })
      else if (entry.kind === 'struck') struck.add(entry.strikes)
      else if (entry.kind === 'device-dark' || entry.kind === 'device-back') returns.push(entry)
    },
    /** Every fetch that ended and every refusal. */
    applyFetch(fetch: FetchRecord): void {
      if (fetch.rehearsal || (fetch.ending !== 'refused' && fetch.ending !== 'headers-only')) return
      const key = `${fetch.client.mac ?? ''} ${fetch.client.address}`
      const before = asked.get(key)
      // 416: it holds all that it asked for.
      const refused = fetch.ending === 'refused' && fetch.status !== 416
      const latest = refused || before === undefined || before.refusals === 0 ? fetch : before.latest
      // In its old place: deleted first and put last again, very many would pass through (lists-by-key.ts, createPassing).
      asked.set(key, { latest, refusals: (before?.refusals ?? 0) + (refused ? fetch.count : 0) })
      if (asked.size > CLIENTS_AT_MOST) forgetEarliest()
    },
    offers,
    observations: (): readonly Observation[] => observed.filter(({ entry }) => !struck.has(entry.seq)),
    returns,
    /** One a client. */
    asked: (): readonly AskedInVain[] => [...asked.values()],
  }
}
