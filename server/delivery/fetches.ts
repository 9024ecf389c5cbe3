/** Fetch records out of ledger entries: the one place where a begun and an ended line become one fetch. */

import type { Entry, EntryOf } from '../ledger/entries.ts'
import { createPassing } from '../lists-by-key.ts'
import type { FetchRecord } from './records.ts'

/** Until it has ended, its record is this file's own. */
type Open = { -readonly [M in keyof FetchRecord]: FetchRecord[M] }

/** `idPrefix` (such as `2-`) keeps the numbers of several merged ledgers apart. */
export function createFetchRecords(idPrefix = '') {
  const open = createPassing<number, Open>()
  let run = 0
  return {
    /**
     * Takes the next entry of a ledger; returns the record that it begins, ends or is, if any: one object from its
     * beginning to its end. `seq`: its place among the entries of all ledgers that are read together.
     */
    apply(entry: Entry, seq: number = entry.seq): FetchRecord | undefined {
      switch (entry.kind) {
        case 'opened':
          run += 1
          return undefined
        case 'fetch-begun': {
          const record = begunRecord(entry, `${idPrefix}${entry.id}`, seq, run)
          open.set(entry.id, record)
          return record
        }
        case 'fetch-ended': {
          const record = open.take(entry.id)
          if (record === undefined) return undefined
          end(record, entry, seq)
          return record
        }
        case 'fetch-refused': {
          const record = begunRecord(entry, `${idPrefix}${entry.id}`, seq, run)
          refuse(record, entry)
          return record
        }
        default:
          return undefined
      }
    },
    /** Records begun and not ended, in the order they began. */
    underWay: (): readonly FetchRecord[] => open.values(),
  }
}

/** Ledgers that name no door are of a time when there was one. */
const HTTP = 'http'

/** One literal for all: made of parts, an object of so many members takes three times as long and far more memory. */
function begunRecord(
  entry: EntryOf<'fetch-begun'> | EntryOf<'fetch-refused'>,
  id: string,
  begunSeq: number,
  run: number,
): Open {
  const begun = entry.kind === 'fetch-begun' ? entry : undefined
  return {
    id,
    begunSeq,
    endedSeq: null,
    door: entry.door ?? HTTP,
    client: entry.client,
    localAddress: entry.localAddress,
    method: entry.method ?? null,
    target: entry.target ?? null,
    httpVersion: entry.httpVersion ?? null,
    userAgent: entry.userAgent ?? null,
    options: begun?.options ?? null,
    range: entry.range ?? null,
    image: entry.image ?? null,
    status: entry.status ?? null,
    ending: null,
    acknowledged: null,
    first: begun?.first ?? 0,
    bytesPromised: begun?.promised ?? 0,
    bytesHandedOver: 0,
    begun: entry.at,
    ended: null,
    firstByteMs: null,
    lastByteMs: null,
    acknowledgedMs: null,
    run,
    upMs: begun?.upMs ?? null,
    durationMs: null,
    resent: null,
    reason: null,
    hint: null,
    versionChanged: entry.versionChanged ?? false,
    beside: begun?.beside ?? 0,
    rehearsal: begun?.rehearsal ?? false,
    count: 1,
  }
}

function end(record: Open, entry: EntryOf<'fetch-ended'>, seq: number): void {
  record.endedSeq = seq
  record.ending = entry.ending
  record.acknowledged = entry.acknowledged ?? null
  record.bytesHandedOver = entry.bytesHandedOver
  record.ended = entry.at
  record.firstByteMs = entry.firstByteMs ?? null
  record.lastByteMs = entry.lastByteMs ?? null
  record.acknowledgedMs = entry.acknowledgedMs ?? null
  record.durationMs = entry.durationMs
  record.resent = entry.resent ?? null
  record.reason = entry.reason ?? null
}

/** As one that began and got nothing. */
function refuse(record: Open, entry: EntryOf<'fetch-refused'>): void {
  record.endedSeq = record.begunSeq
  record.ending = 'refused'
  record.target ??= entry.firstLine ?? null
  record.begun = entry.since ?? entry.at
  record.ended = entry.at
  record.reason = entry.reason
  record.hint = entry.hint ?? null
  record.count = entry.count ?? 1
}
