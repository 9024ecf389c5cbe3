/**
 * Reading a ledger back: its entries and its chain. Readers take no lock and may read while the writer appends; a
 * last line that is just being written is not yet there for them. Entries come in batches, as many as are read at
 * once: a turn of the event loop for each of a million entries would take longer than reading them.
 */
import { basename, dirname } from 'node:path'
import { setTimeout as pause } from 'node:timers/promises'
import { FetchproofError, systemCode, usageError } from '../errors.ts'
import { NOT_REGULAR } from '../files/regular-file.ts'
import { checkLine, FIRST_PREV, parseLine } from './chain.ts'
import type { Entry, EntryKind, EntryOf } from './entries.ts'
import { linesMarked, linesOf, readLines } from './lines.ts'
import { readLock } from './lock.ts'

/** Name of the ledger in its folder. */
export const LEDGER_FILE = 'ledger.ndjson'

interface BadLine {
  /** Counted from 1. */
  readonly line: number
  readonly why: string
}

/**
 * The entries of a ledger in order, in batches; its chain is not looked at. Throws FP_LEDGER_MISSING, and
 * FP_LEDGER_BROKEN at a line that is no entry, unless such lines are to be passed over.
 */
export async function* readEntries(
  file: string,
  bad: 'broken' | 'passed over' = 'broken',
): AsyncGenerator<readonly Entry[], void, void> {
  let line = 0
  for await (const batch of present(file, readLines(file).batches)) {
    const entries: Entry[] = []
    for (const bytes of linesOf(batch)) {
      line += 1
      const parsed = parseLine(bytes)
      if ('entry' in parsed) entries.push(parsed.entry)
      else if (bad === 'broken') {
        yield entries
        throw new FetchproofError('FP_LEDGER_BROKEN', { file, line, why: parsed.why })
      }
    }
    yield entries
  }
}

export interface LedgerCheck {
  /** Whole lines, good or bad. */
  readonly entries: number
  readonly intact: boolean
  /** `sum` of the last good line before the first bad one; 64 zeros when there is none. */
  readonly head: string
  readonly firstBad?: BadLine | undefined
  /** Bytes after the last whole line: what a power loss tore off, or what was cut off. */
  readonly tornBytes: number
}

interface CheckOptions {
  /** A head that was printed earlier, 64 hex digits: it must be the sum of a line of this ledger. */
  readonly head?: string
  /** How many entries there were under that head, where that was printed too: tells cut off from rewritten. */
  readonly entries?: number
}

interface CheckAlong extends CheckOptions {
  /** Given all that can be read on the way. */
  readonly onEntries?: (entries: readonly Entry[]) => void | Promise<void>
}

interface Progress {
  good: number
  sum: string
  offset: number
  headSeen: number | undefined
}

/** Checks the whole chain. Throws FP_LEDGER_MISSING, and FP_USAGE for a head that is none. */
export async function checkLedger(file: string, options: CheckAlong = {}): Promise<LedgerCheck> {
  const batches = readChecked(file, options)
  for (;;) {
    const next = await batches.next()
    if (next.done === true) return next.value
    await options.onEntries?.(next.value)
  }
}

/**
 * The entries of a ledger in order, in batches, and what the chain is worth as the generator's result: reading and checking in
 * one pass. Bad lines are passed over. Throws FP_LEDGER_MISSING, and FP_USAGE for a head that is none.
 */
export async function* readChecked(
  file: string,
  options: CheckOptions = {},
): AsyncGenerator<readonly Entry[], LedgerCheck, void> {
  const head = options.head === undefined ? undefined : normalHead(options.head)
  const progress: Progress = {
    good: 0,
    sum: FIRST_PREV,
    offset: 0,
    headSeen: head === FIRST_PREV ? 0 : undefined,
  }
  // A live writer may be in the middle of its last line, or taking back a line that found no room: look again.
  const looks = (await readLock(dirname(file))) === undefined ? 1 : 4
  let found: Stop = { tornBytes: 0 }
  for (let look = 1; look <= looks; look += 1) {
    if (look > 1) await pause(50)
    found = yield* goodFrom(file, progress, head)
    if (found.firstBad === undefined) break
  }
  const after = found.firstBad === undefined ? 0 : yield* pastBad(file, progress.offset)
  const firstBad = found.firstBad ?? headReason(progress, head, options.entries)
  return {
    entries: progress.good + after,
    intact: firstBad === undefined,
    head: progress.sum,
    firstBad,
    tornBytes: found.tornBytes,
  }
}

interface Stop {
  readonly firstBad?: BadLine
  readonly tornBytes: number
}

/** Goes on from the last good line to the first bad one, or to the end. */
async function* goodFrom(
  file: string,
  progress: Progress,
  head: string | undefined,
): AsyncGenerator<readonly Entry[], Stop, void> {
  const lines = readLines(file, progress.offset)
  for await (const batch of present(file, lines.batches)) {
    const entries: Entry[] = []
    for (const bytes of linesOf(batch)) {
      const checked = checkLine(bytes, { seq: progress.good + 1, prev: progress.sum })
      if ('why' in checked) {
        yield entries
        return { firstBad: { line: progress.good + 1, why: checked.why }, tornBytes: 0 }
      }
      progress.good += 1
      progress.sum = checked.entry.sum
      progress.offset += bytes.length + 1
      if (progress.sum === head) progress.headSeen = progress.good
      entries.push(checked.entry)
    }
    yield entries
  }
  const tornBytes = lines.tail().bytes
  return tornBytes === 0 ? { tornBytes } : { firstBad: { line: progress.good + 1, why: TORN }, tornBytes }
}

/** What can still be read from a bad line on; returns how many whole lines there are. */
async function* pastBad(file: string, offset: number): AsyncGenerator<readonly Entry[], number, void> {
  let count = 0
  for await (const batch of present(file, readLines(file, offset).batches)) {
    const lines = linesOf(batch)
    count += lines.length
    yield lines.flatMap((bytes) => {
      const parsed = parseLine(bytes)
      return 'entry' in parsed ? [parsed.entry] : []
    })
  }
  return count
}

/** `kind` stands within so many bytes of each line: before it are only `seq` and `at`. */
const KIND_WITHIN_BYTES = 128

/** The last entry of a kind. Lines of other kinds are passed over unread. Throws FP_LEDGER_MISSING. */
export async function lastEntryOf<K extends EntryKind>(
  file: string,
  kind: K,
): Promise<EntryOf<K> | undefined> {
  const mark = `"kind":"${kind}"`
  let last: EntryOf<K> | undefined
  for await (const batch of present(file, readLines(file).batches)) {
    for (const bytes of linesMarked(batch, mark, KIND_WITHIN_BYTES)) {
      const parsed = parseLine(bytes)
      if ('entry' in parsed && parsed.entry.kind === kind) last = parsed.entry as EntryOf<K>
    }
  }
  return last
}

const TORN =
  'it does not end: the computer lost power while it was written, or the file was cut. The next "fetchproof serve" moves it aside and records that'

function headReason(progress: Progress, head: string | undefined, entries?: number): BadLine | undefined {
  if (head === undefined) return undefined
  const { good, headSeen } = progress
  if (headSeen !== undefined && (entries === undefined || entries === headSeen)) return undefined
  if (headSeen !== undefined) {
    return { line: headSeen, why: `it has the given head, which is said to have been line ${entries}` }
  }
  if (entries === undefined) {
    const why = `no line has the sum ${head}: lines were cut off at the end, or the ledger was rewritten, or it is another ledger`
    return { line: good + 1, why }
  }
  return entries > good
    ? {
        line: good + 1,
        why: `the lines up to ${entries} are missing: they were cut off, or the ledger was rewritten`,
      }
    : { line: entries, why: `its sum is not ${head}: the ledger was rewritten, or it is another ledger` }
}

function normalHead(head: string): string {
  const digits = head.trim().toLowerCase()
  if (/^[0-9a-f]{64}$/.test(digits)) return digits
  throw usageError(
    `--head ${head} is not a head: it has 64 hex digits, as "serve", the page and the report show it.`,
  )
}

/** Turns "no such file" into the coded error. */
async function* present<T>(
  file: string,
  batches: AsyncGenerator<T, void, void>,
): AsyncGenerator<T, void, void> {
  try {
    yield* batches
  } catch (error) {
    if (systemCode(error) === NOT_REGULAR) {
      throw new FetchproofError('FP_LEDGER_FOREIGN', { path: file }, { cause: error })
    }
    const missing = ['ENOENT', 'ENOTDIR'].includes(systemCode(error) ?? '')
    if (!missing) throw error
    const folder = dirname(file)
    const shown = basename(folder) === '.fetchproof' ? dirname(folder) : folder
    throw new FetchproofError('FP_LEDGER_MISSING', { folder: shown }, { cause: error })
  }
}
