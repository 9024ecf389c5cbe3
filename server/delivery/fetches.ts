/** Fetch records out of ledger entries: the one place where a begun and an ended line become one fetch. */
import type { Entry, EntryOf } from '../ledger/entries.ts'
import type { FetchRecord } from './records.ts'

/** `idPrefix` (such as `2-`) keeps the numbers of several merged ledgers apart. */
export function createFetchRecords(idPrefix = '') {
  const open = new Map<number, FetchRecord>()
  let run = 0
  return {
    /**
     * Takes the next entry of a ledger; returns the record that it begins, ends or is, if any. `seq`: its place among
     * the entries of all ledgers that are read together.
     */
    apply(entry: Entry, seq: number = entry.seq): FetchRecord | undefined {
      if (entry.kind === 'opened') run += 1
      if (entry.kind === 'fetch-begun') {
        const record = begunRecord(entry, { id: `${idPrefix}${entry.id}`, begunSeq: seq, run })
        open.set(entry.id, record)
        return record
      }
      if (entry.kind === 'fetch-ended') {
        const begun = open.get(entry.id)
        if (begun === undefined) return undefined
        open.delete(entry.id)
        return endedRecord(begun, entry, seq)
      }
      if (entry.kind === 'fetch-refused') {
        return refusedRecord(entry, { id: `${idPrefix}${entry.id}`, begunSeq: seq, run })
      }
      return undefined
    },
    /** Records begun and not ended, in the order they began. */
    underWay: (): readonly FetchRecord[] => [...open.values()],
  }
}

/** Ledgers that name no door are of a time when there was one. */
const HTTP = 'http'

type Numbers = Pick<FetchRecord, 'id' | 'begunSeq' | 'run'>

type Begun = Omit<EntryOf<'fetch-begun'>, 'kind' | 'seq' | 'prev' | 'sum' | 'id' | 'target'> &
  Pick<FetchRecord, 'target'>

function begunRecord(entry: Begun, { id, begunSeq, run }: Numbers): FetchRecord {
  return {
    id,
    begunSeq,
    endedSeq: null,
    door: entry.door ?? HTTP,
    client: entry.client,
    localAddress: entry.localAddress,
    method: entry.method ?? null,
    target: entry.target,
    httpVersion: entry.httpVersion ?? null,
    userAgent: entry.userAgent ?? null,
    options: entry.options ?? null,
    range: entry.range ?? null,
    image: entry.image ?? null,
    status: entry.status ?? null,
    ending: null,
    acknowledged: null,
    first: entry.first,
    bytesPromised: entry.promised,
    bytesHandedOver: 0,
    begun: entry.at,
    ended: null,
    firstByteMs: null,
    lastByteMs: null,
    acknowledgedMs: null,
    run,
    upMs: entry.upMs ?? null,
    durationMs: null,
    resent: null,
    reason: null,
    hint: null,
    versionChanged: entry.versionChanged ?? false,
    beside: entry.beside ?? 0,
    rehearsal: entry.rehearsal ?? false,
    count: 1,
  }
}

function endedRecord(begun: FetchRecord, entry: EntryOf<'fetch-ended'>, endedSeq: number): FetchRecord {
  return {
    ...begun,
    endedSeq,
    ending: entry.ending,
    acknowledged: entry.acknowledged ?? null,
    bytesHandedOver: entry.bytesHandedOver,
    ended: entry.at,
    firstByteMs: entry.firstByteMs ?? null,
    lastByteMs: entry.lastByteMs ?? null,
    acknowledgedMs: entry.acknowledgedMs ?? null,
    durationMs: entry.durationMs,
    resent: entry.resent ?? null,
    reason: entry.reason ?? null,
  }
}

/** As one that began and got nothing. Assigned, since an object of so many members that is spread takes far more memory. */
function refusedRecord(entry: EntryOf<'fetch-refused'>, numbers: Numbers): FetchRecord {
  const { at, since = at, target = entry.firstLine ?? null, reason, hint = null, count = 1 } = entry
  return Object.assign(begunRecord({ ...entry, target, first: 0, promised: 0 }, numbers), {
    endedSeq: numbers.begunSeq,
    ending: 'refused' as const,
    begun: since,
    ended: at,
    reason,
    hint,
    count,
  })
}
