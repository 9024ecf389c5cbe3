/**
 * What the ledgers of one or several staging folders say about a visit, gathered for the report. Like refusals are
 * counted and not kept one by one, so that a client that asks every second does not fill the memory.
 */
import { basename, dirname } from 'node:path'
import { createPullRecords } from '../delivery/pulls.ts'
import type { FetchRecord } from '../delivery/records.ts'
import type { Entry, EntryOf } from '../ledger/entries.ts'
import { readLock } from '../ledger/lock.ts'
import type { LedgerCheck } from '../ledger/read.ts'
import { createStrikes } from '../ledger/strikes.ts'
import { createDeviceFinder } from '../visit/device-finder.ts'
import { rowsOnRecord } from '../visit/sheet-entry.ts'
import { createVisitEvidence } from '../visit/visit-evidence.ts'
import { idPrefixOf } from './audit.ts'
import { leadMerged } from './merged-ledgers.ts'

/** Of one staging folder. */
export type FolderFacts = Awaited<ReturnType<ReturnType<typeof createGatherer>['facts']>>

/** Throws FP_LEDGER_MISSING. A line that cannot be read is passed over; that the chain is broken is said. */
export async function visitFacts(files: readonly string[]): Promise<readonly FolderFacts[]> {
  const gatherers = files.map((file, at) => createGatherer(file, idPrefixOf(files, at)))
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
  const refused = new Map<string, FetchRecord>()
  const moved: FetchRecord[] = []
  let finder = createDeviceFinder([])
  const pullRecords = createPullRecords({
    idPrefix,
    fetchDone(fetch) {
      evidence.applyFetch(fetch)
      if (fetch.rehearsal) return
      if (fetch.ending === 'refused') count(refused, fetch)
      if (fetch.bytesPromised > 0) moved.push(fetch)
      if (moved.length > 2 * MOVED_AT_MOST) moved.splice(0, MOVED_AT_MOST)
    },
    deviceOf: (client) => finder.nameOf(client),
  })
  return {
    apply(entry: Entry, seq: number): void {
      kept.take(entry)
      pullRecords.apply(entry, seq)
      evidence.apply(entry, seq)
    },
    async facts(ledger: LedgerCheck) {
      const facts = kept.facts()
      // The sheet in force at the end names the devices of all pulls.
      const sheet = facts.sheets.at(-1)
      const rows = sheet === undefined ? [] : rowsOnRecord(sheet)
      finder = createDeviceFinder(rows)
      pullRecords.renamed()
      return {
        /** Name of the staging folder, without the way to it. */
        name: folderName(file),
        ledger,
        /** The folder is being served at this moment. */
        served: (await readLock(dirname(file))) !== undefined,
        ...facts,
        rows,
        /** What the standings of devices rest on beside pulls. */
        evidence,
        pulls: pullRecords.pulls(),
        /** Like ones counted, in the order in which they first came. */
        refused: [...refused.values()],
        /** The latest fetches of images: what stops and rates may mean is guessed from them. */
        moved: moved.slice(-MOVED_AT_MOST),
        macOf: (address: string): string | null => pullRecords.macOf({ address }),
      }
    },
  }
}

function folderName(file: string): string {
  const records = dirname(file)
  return basename(basename(records) === '.fetchproof' ? dirname(records) : records)
}

const KEPT = ['opened', 'sheet', 'image', 'image-gone', 'lifted', 'rehearsed', 'recovered'] as const
type Kept = (typeof KEPT)[number]

function createKeeper() {
  const kept: Entry[] = []
  const strikes = createStrikes()
  let begun = null as string | null
  let ended = null as string | null
  const list = <K extends Kept>(...kinds: K[]): EntryOf<K>[] =>
    kept.filter((entry): entry is EntryOf<K> => (kinds as string[]).includes(entry.kind))
  return {
    take(entry: Entry): void {
      begun ??= entry.at
      ended = entry.at
      strikes.apply(entry)
      if ((KEPT as readonly string[]).includes(entry.kind)) kept.push(entry)
    },
    facts: () => ({
      /** When the first entry and the last one were written. */
      begun,
      ended,
      opened: list('opened'),
      sheets: list('sheet'),
      images: list('image'),
      aboutImages: list('image-gone', 'lifted').filter(({ seq }) => !strikes.has(seq)),
      /** What a person recorded and took back. */
      struck: strikes.struck(),
      rehearsals: list('rehearsed'),
      recoveries: list('recovered'),
    }),
  }
}

/** A thousand devices with some stops each; of a longer visit the last hours tell enough. */
const MOVED_AT_MOST = 5_000

/** Like refusals as one with a count. */
function count(refused: Map<string, FetchRecord>, fetch: FetchRecord): void {
  const { client, target, status, reason, ended } = fetch
  const key = JSON.stringify([client.address, client.mac, target, status, reason])
  const there = refused.get(key)
  refused.set(key, { ...(there ?? fetch), count: (there?.count ?? 0) + fetch.count, ended })
}
