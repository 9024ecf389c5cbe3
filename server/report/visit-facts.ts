/**
 * What the ledgers of one or several staging folders say about a visit, gathered for the report. Like refusals are
 * counted and not kept one by one, so that a client that asks every second does not fill the memory.
 */

import { basename, dirname } from 'node:path'
import { createPullRecords } from '../delivery/pulls.ts'
import type { FetchRecord, PullRecord } from '../delivery/records.ts'
import { addTo } from '../grouped.ts'
import type { Entry, EntryOf } from '../ledger/entries.ts'
import { readLock } from '../ledger/lock.ts'
import type { LedgerCheck } from '../ledger/read.ts'
import { createStrikes, type Struck } from '../ledger/strikes.ts'
import { createDeviceFinder } from '../visit/device-finder.ts'
import { rowsOnRecord } from '../visit/sheet-entry.ts'
import type { PlannedRow } from '../visit/sheet-rows.ts'
import { createVisitEvidence, type VisitEvidence } from '../visit/visit-evidence.ts'
import { leadMerged } from './merged-ledgers.ts'

/** Of one staging folder. */
export interface FolderFacts {
  /** Name of the staging folder, without the way to it. */
  readonly name: string
  readonly ledger: LedgerCheck
  /** The folder is being served at this moment. */
  readonly served: boolean
  readonly opened: readonly EntryOf<'opened'>[]
  /** When the first entry and the last one were written. */
  readonly begun: string | null
  readonly ended: string | null
  readonly sheets: readonly EntryOf<'sheet'>[]
  readonly rows: readonly PlannedRow[]
  readonly pulls: readonly PullRecord[]
  /** Refusals, and requests that got no more than headers: like ones counted. */
  readonly asked: readonly FetchRecord[]
  /** The latest fetches of images: what stops and rates may mean is guessed from them. */
  readonly moved: readonly FetchRecord[]
  /** What the standings of devices rest on beside pulls. */
  readonly evidence: VisitEvidence
  readonly images: readonly EntryOf<'image'>[]
  readonly aboutImages: readonly EntryOf<'image-gone' | 'lifted'>[]
  /** What a person recorded and took back. */
  readonly struck: readonly Struck[]
  readonly rehearsals: readonly EntryOf<'rehearsed'>[]
  readonly recoveries: readonly EntryOf<'recovered'>[]
  macOf(address: string): string | null
}

/** Throws FP_LEDGER_MISSING. A line that cannot be read is passed over; that the chain is broken is said. */
export async function visitFacts(files: readonly string[]): Promise<readonly FolderFacts[]> {
  const gatherers = files.map((file, at) => createGatherer(file, files.length > 1 ? `${at + 1}-` : ''))
  const checks = await leadMerged(files, (entry, ledger, seq) => gatherers[ledger]?.apply(entry, seq))
  const facts: FolderFacts[] = []
  for (const [at, check] of checks.entries()) {
    const gathered = await gatherers[at]?.facts(check)
    if (gathered !== undefined) facts.push(gathered)
  }
  return facts
}

function createGatherer(file: string, idPrefix: string) {
  const kept = createKeeper()
  const evidence = createVisitEvidence()
  const asked = createCounter()
  const moved = createLatest()
  let finder = createDeviceFinder([])
  const pullRecords = createPullRecords({
    idPrefix,
    fetchDone(fetch) {
      evidence.applyFetch(fetch)
      asked.take(fetch)
      moved.take(fetch)
    },
    deviceOf: (client) => finder.nameOf(client),
  })
  return {
    apply(entry: Entry, seq: number): void {
      kept.take(entry)
      pullRecords.apply(entry, seq)
      evidence.apply(entry, seq)
    },
    async facts(ledger: LedgerCheck): Promise<FolderFacts> {
      const facts = kept.facts()
      // The sheet in force at the end names the devices of all pulls.
      const sheet = facts.sheets.at(-1)
      const rows = sheet === undefined ? [] : rowsOnRecord(sheet)
      finder = createDeviceFinder(rows)
      pullRecords.renamed()
      return {
        name: folderName(file),
        ledger,
        served: (await readLock(dirname(file))) !== undefined,
        ...facts,
        rows,
        evidence,
        pulls: pullRecords.pulls(),
        asked: asked.list(),
        moved: moved.list(),
        macOf: (address) => pullRecords.macOf({ address }),
      }
    },
  }
}

function folderName(file: string): string {
  const records = dirname(file)
  return basename(basename(records) === '.fetchproof' ? dirname(records) : records)
}

type Kept = Omit<
  FolderFacts,
  'name' | 'ledger' | 'served' | 'rows' | 'pulls' | 'evidence' | 'asked' | 'moved' | 'macOf'
>

function createKeeper(): { take(entry: Entry): void; facts(): Kept } {
  const lists = new Map<Entry['kind'], Entry[]>()
  const strikes = createStrikes()
  const kept = new Set<Entry['kind']>([
    'opened',
    'sheet',
    'image',
    'image-gone',
    'lifted',
    'rehearsed',
    'recovered',
  ])
  let begun: string | null = null
  let ended: string | null = null
  const list = <K extends Entry['kind']>(...kinds: K[]): EntryOf<K>[] =>
    (kinds.flatMap((kind) => lists.get(kind) ?? []) as EntryOf<K>[]).sort((a, b) => a.seq - b.seq)
  return {
    take(entry) {
      begun ??= entry.at
      ended = entry.at
      strikes.apply(entry)
      if (kept.has(entry.kind)) addTo(lists, entry.kind, entry)
    },
    facts: () => ({
      begun,
      ended,
      opened: list('opened'),
      sheets: list('sheet'),
      images: list('image'),
      aboutImages: list('image-gone', 'lifted').filter(({ seq }) => !strikes.has(seq)),
      struck: strikes.struck(),
      rehearsals: list('rehearsed'),
      recoveries: list('recovered'),
    }),
  }
}

/** A thousand devices with some stops each; of a longer visit the last hours tell enough. */
const MOVED_AT_MOST = 5_000

function createLatest(): { take(fetch: FetchRecord): void; list(): readonly FetchRecord[] } {
  let latest: FetchRecord[] = []
  return {
    take(fetch) {
      if (fetch.rehearsal || fetch.bytesPromised === 0) return
      latest.push(fetch)
      if (latest.length >= 2 * MOVED_AT_MOST) latest = latest.slice(-MOVED_AT_MOST)
    },
    list: () => latest.slice(-MOVED_AT_MOST),
  }
}

/** Requests without image bytes, like ones as one with a count, in the order in which they first came. */
function createCounter(): { take(fetch: FetchRecord): void; list(): readonly FetchRecord[] } {
  const counted = new Map<string, FetchRecord>()
  return {
    take(fetch) {
      if (fetch.rehearsal || (fetch.ending !== 'refused' && fetch.ending !== 'headers-only')) return
      const { client, target, status, reason, ending } = fetch
      const key = JSON.stringify([client.address, client.mac, target, status, reason, ending])
      const there = counted.get(key)
      const count = (there?.count ?? 0) + fetch.count
      counted.set(key, { ...(there ?? fetch), count, ended: fetch.ended })
    },
    list: () => [...counted.values()],
  }
}
