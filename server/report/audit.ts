/**
 * The past of one or several staging folders out of their ledgers: pulls, fetches and the state of the chain.
 * Streams, in batches: pulls are given out in order of time as long as they fit a buffer, in order of completion
 * beyond it.
 */
import { createFetchRecords } from '../delivery/fetches.ts'
import { createPullRecords } from '../delivery/pulls.ts'
import type { FetchRecord, PullRecord } from '../delivery/records.ts'
import type { Entry } from '../ledger/entries.ts'
import { checkLedger, type LedgerCheck, lastEntryOf, readChecked, readEntries } from '../ledger/read.ts'
import { createAllowedImages } from '../visit/allowed-images.ts'
import { createDeviceFinder, type DeviceFinder } from '../visit/device-finder.ts'
import { createImageNames } from '../visit/planned-image.ts'
import { rowsOnRecord } from '../visit/sheet-entry.ts'
import type { PlannedRow } from '../visit/sheet-rows.ts'
import { type AuditFilter, passing } from './audit-filter.ts'

/**
 * Pulls kept back so that they can be given out in order of time. With 20,000 of them V8 learns that such objects live
 * long and makes all later ones old from the start: an audit of a million entries then takes a quarter longer.
 */
const SORTED_AT_MOST = 5_000

/** `checked`: where the state of each chain goes, checked in the same pass. */
export function auditPulls(files: readonly string[], filter: AuditFilter, checked?: CheckedLedgers) {
  return inOrder(files, (file, idPrefix) => pullsOf(file, idPrefix, checked), passing(filter))
}

export function auditFetches(files: readonly string[], filter: AuditFilter, checked?: CheckedLedgers) {
  return inOrder(files, (file, idPrefix) => fetchesOf(file, idPrefix, checked), passing(filter))
}

export interface LedgerSummary {
  readonly entries: number
  readonly intact: boolean
  /** None of several ledgers holds the head that was printed earlier. */
  readonly headMissing?: true
  /** Of the only ledger; null with several, whose heads stand in `ledgers`. */
  readonly head: string | null
  readonly ledgers: readonly ({ readonly file: string } & LedgerCheck)[]
}

export type CheckedLedgers = Map<string, LedgerCheck>

/** Checks every chain. `head`: a head printed earlier, which one of the ledgers must hold. */
export async function auditLedgers(files: readonly string[], head?: string): Promise<LedgerSummary> {
  const checked: CheckedLedgers = new Map()
  const [only, another] = files
  if (head !== undefined && only !== undefined && another === undefined) {
    checked.set(only, await checkLedger(only, { head }))
    return summaryOf(checked)
  }
  // Each chain is to be intact, and one of them is to hold the head.
  const sum = head?.trim().toLowerCase()
  let held = sum === undefined
  const onEntries = (entries: readonly Entry[]): void => {
    held ||= entries.some((entry) => entry.sum === sum)
  }
  for (const file of files) checked.set(file, await checkLedger(file, { onEntries }))
  const summary = summaryOf(checked)
  return held ? summary : { ...summary, intact: false, headMissing: true }
}

export function summaryOf(checked: CheckedLedgers): LedgerSummary {
  const ledgers = [...checked].map(([file, check]) => ({ file, ...check }))
  return {
    entries: ledgers.reduce((sum, check) => sum + check.entries, 0),
    intact: ledgers.every((check) => check.intact),
    head: ledgers.length === 1 ? (ledgers[0]?.head ?? null) : null,
    ledgers,
  }
}

async function* pullsOf(
  file: string,
  idPrefix: string,
  checked?: CheckedLedgers,
): AsyncGenerator<readonly PullRecord[]> {
  const ready: PullRecord[] = []
  // The sheet in force at the end names the devices of all pulls.
  const sheet = await lastEntryOf(file, 'sheet')
  const rows = sheet === undefined ? [] : rowsOnRecord(sheet)
  const finder = createDeviceFinder(rows)
  const marked = rows.length === 0 ? (pull: PullRecord) => pull : createPlanMarks(rows, finder)
  const pulls = createPullRecords({
    idPrefix,
    retired: (pull) => ready.push(marked(pull)),
    deviceOf: finder.nameOf,
  })
  yield* takeAll(file, (entry) => pulls.apply(entry), ready, checked)
  yield pulls.pulls().map(marked)
}

/** Notes what the visit sheet says against a pull: the wrong image, or a client that stands on no row. */
function createPlanMarks(rows: readonly PlannedRow[], finder: DeviceFinder) {
  const allowed = createAllowedImages(rows)
  const names = createImageNames([])
  const noteOn = (pull: PullRecord): string | undefined => {
    const verdict = allowed.judge(finder.find(pull.client), pull.image, names)
    if (verdict.kind === 'not on the sheet') return verdict.why
    if (verdict.kind === 'planned' || verdict.planned.length === 0) return undefined
    return `wrong image: planned for ${verdict.device} is ${verdict.planned.join(', then ')}`
  }
  return (pull: PullRecord): PullRecord => {
    const note = noteOn(pull)
    return note === undefined ? pull : { ...pull, notes: [...pull.notes, note] }
  }
}

async function* fetchesOf(
  file: string,
  idPrefix: string,
  checked?: CheckedLedgers,
): AsyncGenerator<readonly FetchRecord[]> {
  const ready: FetchRecord[] = []
  const fetches = createFetchRecords(idPrefix)
  const take = (entry: Entry): void => {
    const fetch = fetches.apply(entry)
    if (fetch !== undefined && fetch.ending !== null) ready.push(fetch)
  }
  yield* takeAll(file, take, ready, checked)
  yield fetches.underWay()
}

/**
 * Has every entry taken, and gives out what that laid into `ready`. Bad lines are passed over: that the chain is
 * broken is said beside it.
 */
async function* takeAll<T>(
  file: string,
  take: (entry: Entry) => void,
  ready: T[],
  checked?: CheckedLedgers,
): AsyncGenerator<readonly T[]> {
  const batches = checked === undefined ? readEntries(file, 'passed over') : readChecked(file)
  for (;;) {
    const next = await batches.next()
    if (next.done === true) {
      if (checked !== undefined && next.value !== undefined) checked.set(file, next.value)
      return
    }
    for (const entry of next.value) take(entry)
    if (ready.length > 0) yield ready.splice(0)
  }
}

async function* inOrder<T extends FetchRecord | PullRecord>(
  files: readonly string[],
  read: (file: string, idPrefix: string) => AsyncGenerator<readonly T[]>,
  wanted: (item: T) => boolean,
): AsyncGenerator<readonly T[]> {
  const order = files.length === 1 ? bySeq : byClock
  const buffer: T[] = []
  let overflown = false
  for (const [at, file] of files.entries()) {
    for await (const batch of read(file, idPrefixOf(files, at))) {
      const given = batch.filter(wanted)
      if (overflown) {
        yield given
        continue
      }
      const room = SORTED_AT_MOST - buffer.length
      buffer.push(...given.slice(0, room))
      if (given.length <= room) continue
      overflown = true
      yield buffer.splice(0).sort(order)
      yield given.slice(room)
    }
  }
  yield buffer.sort(order)
}

type Begun = Pick<PullRecord, 'begun' | 'begunSeq'>

/** In one ledger its own order counts, whatever the clock was set to meanwhile. */
function bySeq(a: Begun, b: Begun): number {
  return a.begunSeq - b.begunSeq
}

function byClock(a: Begun, b: Begun): number {
  return a.begun < b.begun ? -1 : Number(a.begun > b.begun)
}

/** Keeps the numbers of several ledgers apart. */
export function idPrefixOf(files: readonly string[], at: number): string {
  return files.length > 1 ? `${at + 1}-` : ''
}
