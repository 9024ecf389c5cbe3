/**
 * Reading a ledger back: its entries and its chain. Readers take no lock and may read while the writer appends; a
 * last line that is just being written is not yet there for them. Entries come in batches, as many as are read at
 * once: a turn of the event loop for each of a million entries would take longer than reading them.
 */
import { dirname } from 'node:path'
import { setTimeout as pause } from 'node:timers/promises'
import { FetchproofError, usageError } from '../errors.ts'
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
  yield* parsedFrom(file, 0, bad)
}

/** From a byte that begins a line on; returns how many lines there were. */
async function* parsedFrom(
  file: string,
  offset: number,
  bad: 'broken' | 'passed over',
): AsyncGenerator<readonly Entry[], number, void> {
  let line = 0
  for await (const batch of readLines(file, offset)) {
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
  return line
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
  /** Given all that can be read on the way. */
  readonly onEntries?: (entries: readonly Entry[]) => void
}

/** Checks the whole chain. Throws FP_LEDGER_MISSING, and FP_USAGE for a head that is none. */
export async function checkLedger(file: string, options: CheckOptions = {}): Promise<LedgerCheck> {
  const batches = readChecked(file, options.head)
  for (;;) {
    const next = await batches.next()
    if (next.done === true) return next.value
    options.onEntries?.(next.value)
  }
}

/**
 * The entries of a ledger in order, in batches, and what the chain is worth as the generator's result: reading and checking in
 * one pass. Bad lines are passed over. Throws FP_LEDGER_MISSING, and FP_USAGE for a head that is none.
 */
export async function* readChecked(
  file: string,
  head?: string,
): AsyncGenerator<readonly Entry[], LedgerCheck, void> {
  const chain = emptyChain()
  if (head !== undefined) chain.wanted = normalHead(head)
  // A live writer may be in the middle of its last line, or taking back a line that found no room: look again.
  const looks = (await readLock(dirname(file))) === undefined ? 1 : 4
  for (let look = 1; look <= looks; look += 1) {
    if (look > 1) await pause(50)
    yield* goodEntries(file, chain)
    if (chain.firstBad === undefined && chain.tornBytes === 0) break
  }
  const { entries, sum, offset, tornBytes } = chain
  const bad = chain.firstBad ?? (tornBytes === 0 ? undefined : { line: entries + 1, why: TORN })
  const after = bad === undefined ? 0 : yield* parsedFrom(file, offset, 'passed over')
  const firstBad = bad ?? headReason(chain)
  return { entries: entries + after, intact: firstBad === undefined, head: sum, firstBad, tornBytes }
}

/** How far a chain was found good. */
interface Chain {
  /** Good ones; the `sum` of the last of them; the bytes of their lines. */
  entries: number
  sum: string
  offset: number
  firstBad: BadLine | undefined
  /** After the last whole line. */
  tornBytes: number
  /** Must be among the sums; undefined once it was seen. */
  wanted: string | undefined
}

export function emptyChain(): Chain {
  return { entries: 0, sum: FIRST_PREV, offset: 0, firstBad: undefined, tornBytes: 0, wanted: undefined }
}

/** Goes on from the last good line to the first bad one, or to the end. Throws FP_LEDGER_MISSING. */
async function* goodEntries(file: string, chain: Chain): AsyncGenerator<readonly Entry[], void, void> {
  chain.firstBad = undefined
  for await (const batch of linesAfter(file, chain)) {
    const entries: Entry[] = []
    takeGood(batch, chain, (entry) => entries.push(entry))
    yield entries
    if (chain.firstBad !== undefined) return
  }
}

/** What follows the good lines, in batches. */
export function linesAfter(file: string, chain: Chain): AsyncGenerator<Buffer, void, void> {
  return readLines(file, chain.offset, (bytesLeft) => {
    chain.tornBytes = bytesLeft
  })
}

/** Takes the entries of a batch up to the first bad line. */
export function takeGood(batch: Buffer, chain: Chain, take: (entry: Entry) => void): void {
  for (const bytes of linesOf(batch)) {
    const seq = chain.entries + 1
    const checked = checkLine(bytes, { seq, prev: chain.sum })
    if ('why' in checked) {
      chain.firstBad = { line: seq, why: checked.why }
      return
    }
    chain.entries = seq
    chain.sum = checked.entry.sum
    chain.offset += bytes.length + 1
    if (chain.sum === chain.wanted) chain.wanted = undefined
    take(checked.entry)
  }
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
  for await (const batch of readLines(file)) {
    for (const bytes of linesMarked(batch, mark, KIND_WITHIN_BYTES)) {
      const parsed = parseLine(bytes)
      if ('entry' in parsed && parsed.entry.kind === kind) last = parsed.entry as EntryOf<K>
    }
  }
  return last
}

const TORN =
  'it does not end: the computer lost power while it was written, or the file was cut. The next "fetchproof serve" moves it aside and records that'

/** The head of an empty ledger is one of every ledger. */
function headReason({ entries, wanted }: Chain): BadLine | undefined {
  if (wanted === undefined || wanted === FIRST_PREV) return undefined
  const why = `no line has the sum ${wanted}: lines were cut off at the end, or the ledger was rewritten, or it is another ledger`
  return { line: entries + 1, why }
}

function normalHead(head: string): string {
  const digits = head.trim().toLowerCase()
  if (/^[0-9a-f]{64}$/.test(digits)) return digits
  throw usageError(
    `--head ${head} is not a head: it has 64 hex digits, as "serve", the page and the report show it.`,
  )
}
