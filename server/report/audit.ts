/**
 * The past of one or several staging folders out of their ledgers: pulls, fetches and the state of the chain.
 * Streams: pulls are given out in order of time as long as they fit a buffer, in order of completion beyond it.
 */
import { createPullBook } from '../delivery/pulls.ts'
import type { FetchRecord, PullRecord } from '../delivery/records.ts'
import type { EntryOf } from '../ledger/entries.ts'
import { checkLedger, type LedgerCheck, readEntries } from '../ledger/read.ts'
import { createDeviceFinder } from '../visit/device-finder.ts'
import { rowsOnRecord } from '../visit/sheet-entry.ts'
import type { PlannedRow } from '../visit/sheet-rows.ts'

export interface AuditFilter {
  /** Address, hardware address or device name. */
  readonly client?: string
  /** Name, plain path or the first digits of the SHA-256. */
  readonly image?: string
  /** RFC 3339, compared with when the pull or fetch began. */
  readonly since?: string
  readonly until?: string
  readonly ending?: string
  readonly state?: string
}

/** Pulls kept back so that they can be given out in order of time. */
const SORTED_AT_MOST = 20_000

export async function* auditPulls(files: readonly string[], filter: AuditFilter): AsyncGenerator<PullRecord> {
  yield* inOrderOfTime(
    files.map((file, at) => pullsOf(file, prefixOf(files, at))),
    (pull) => concerns(pull, filter) && (filter.state === undefined || pull.state === filter.state),
  )
}

export async function* auditFetches(
  files: readonly string[],
  filter: AuditFilter,
): AsyncGenerator<FetchRecord> {
  yield* inOrderOfTime(
    files.map((file, at) => fetchesOf(file, prefixOf(files, at))),
    (fetch) => concerns(fetch, filter) && (filter.ending === undefined || fetch.ending === filter.ending),
  )
}

export interface LedgerSummary {
  readonly entries: number
  readonly intact: boolean
  /** Of the only ledger; null with several, whose heads stand in `ledgers`. */
  readonly head: string | null
  readonly ledgers: readonly ({ readonly file: string } & LedgerCheck)[]
}

/** Checks every chain. `head`: a head printed earlier, which one of the ledgers must hold. */
export async function auditLedgers(files: readonly string[], head?: string): Promise<LedgerSummary> {
  const checks = []
  for (const file of files)
    checks.push({ file, ...(await checkLedger(file, head === undefined ? {} : { head })) })
  return {
    entries: checks.reduce((sum, check) => sum + check.entries, 0),
    intact: head === undefined ? checks.every((check) => check.intact) : checks.some((check) => check.intact),
    head: checks.length === 1 ? (checks[0]?.head ?? null) : null,
    ledgers: checks,
  }
}

async function* pullsOf(file: string, idPrefix: string): AsyncGenerator<PullRecord> {
  const ready: PullRecord[] = []
  const finder = createDeviceFinder(await rowsOf(file))
  const book = createPullBook({ idPrefix, retired: (pull) => ready.push(pull), deviceOf: finder.nameOf })
  for await (const entry of readEntries(file, PAST_BAD_LINES)) {
    book.take(entry)
    if (ready.length > 0) yield* ready.splice(0)
  }
  yield* book.pulls()
}

/** The sheet in force at the end names the devices of all pulls. */
async function rowsOf(file: string): Promise<readonly PlannedRow[]> {
  let sheet: EntryOf<'sheet'> | undefined
  for await (const entry of readEntries(file, PAST_BAD_LINES)) if (entry.kind === 'sheet') sheet = entry
  return sheet === undefined ? [] : rowsOnRecord(sheet)
}

async function* fetchesOf(file: string, idPrefix: string): AsyncGenerator<FetchRecord> {
  const ready: FetchRecord[] = []
  const book = createPullBook({
    idPrefix,
    retired: () => undefined,
    fetchDone: (fetch) => ready.push(fetch),
  })
  for await (const entry of readEntries(file, PAST_BAD_LINES)) {
    book.take(entry)
    if (ready.length > 0) yield* ready.splice(0)
  }
  yield* book.fetchesUnderWay()
}

/** What can still be read is shown; that the chain is broken is said beside it. */
const PAST_BAD_LINES = { onBad: (): void => undefined }

async function* inOrderOfTime<T extends { readonly begun: string }>(
  sources: readonly AsyncGenerator<T>[],
  wanted: (item: T) => boolean,
): AsyncGenerator<T> {
  const buffer: T[] = []
  let overflown = false
  for (const source of sources) {
    for await (const item of source) {
      if (!wanted(item)) continue
      if (overflown) yield item
      else buffer.push(item)
      if (buffer.length > SORTED_AT_MOST) {
        overflown = true
        yield* sorted(buffer.splice(0))
      }
    }
  }
  yield* sorted(buffer)
}

function sorted<T extends { readonly begun: string }>(items: readonly T[]): readonly T[] {
  return [...items].sort((a, b) => (a.begun < b.begun ? -1 : a.begun > b.begun ? 1 : 0))
}

function prefixOf(files: readonly string[], at: number): string {
  return files.length > 1 ? `${at + 1}-` : ''
}

function concerns(item: FetchRecord | PullRecord, filter: AuditFilter): boolean {
  const { client, image } = item
  if (filter.client !== undefined) {
    const names = [client.address, client.mac, 'device' in client ? client.device : null]
    if (!names.some((name) => name?.toLowerCase() === filter.client?.toLowerCase())) return false
  }
  if (filter.image !== undefined) {
    const wanted = filter.image.toLowerCase()
    const names = [image?.name, image?.plainPath, image?.plainPath.slice(1)].map((name) =>
      name?.toLowerCase(),
    )
    const byDigest = /^[0-9a-f]{6,64}$/.test(wanted) && image?.sha256.startsWith(wanted) === true
    if (!names.includes(wanted) && !byDigest) return false
  }
  const begunMs = Date.parse(item.begun)
  if (filter.since !== undefined && begunMs < Date.parse(filter.since)) return false
  return filter.until === undefined || begunMs <= Date.parse(filter.until)
}
