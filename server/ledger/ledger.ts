/**
 * The ledger of a records folder, open for writing. An entry is in the operating system's hands when `append`
 * returns, so killing the process loses none; it is on the disk when `synced` names it.
 *
 *            append refuses            back again
 *   writable ── no room ──> full ── reserve restored ──> writable
 *      └─────── any other failure ──> failed (for good: after a failed sync nobody knows what the disk holds)
 */
import { EventEmitter } from 'node:events'
import { closeSync, existsSync, fsyncSync, mkdirSync, openSync } from 'node:fs'
import { join, resolve } from 'node:path'
import { FetchproofError } from '../errors.ts'
import { heldFolder, type StillThere } from '../files/held-folder.ts'
import { sealLine } from './chain.ts'
import type { Entry, EntryKind, EntryOf, NewEntryOf } from './entries.ts'
import { assertEntry } from './entry-check.ts'
import { DISK, isNoRoom, type LedgerFiles } from './file-access.ts'
import { createGroupSync, GATHER_MS } from './group-sync.ts'
import { asLedgerError, noRoom, unwritable } from './ledger-errors.ts'
import { createLineWriter, type LineWriter } from './line-writer.ts'
import { type Lock, takeLock } from './lock.ts'
import { type FoundLedger, readBack, setTornTailAside } from './opening.ts'
import { assertOwn, keepToOwner } from './own-files.ts'
import { LEDGER_FILE } from './read.ts'
import { createReserve, RESERVE_BYTES, type Reserve } from './reserve.ts'

export interface LedgerOptions {
  /** Folder of the ledger; created when absent. */
  readonly records: string
  /** Milliseconds since 1970. */
  readonly now?: () => number
  /** Each entry that is in the file, in order, while opening; those that opening itself adds come last. */
  readonly onEntry?: (entry: Entry) => void
  readonly files?: LedgerFiles
  readonly reserveBytes?: number
  readonly gatherMs?: number
  /** How often a full disk is looked at again. */
  readonly probeMs?: number
}

interface LedgerEvents {
  /** An entry is in the file, before `append` returns. Those that opening itself adds come by `onEntry` alone. */
  written: [entry: Entry]
  /** Entries that are durable now, in the order of the ledger. */
  synced: [entries: readonly Entry[]]
  full: []
  room: []
  failed: [error: FetchproofError]
}

const PROBE_MS = 1_000
/** What another program does to the file is noticed within this while nothing is fetched; by a fetch at once. */
const WATCH_MS = 1_000

/** While the disk is full, only what brings things to an end is written into the room of the reserve. */
const KEPT_WHEN_FULL: ReadonlySet<EntryKind> = new Set<EntryKind>([
  'fetch-ended',
  'held',
  'image-gone',
  'recovered',
  'closed',
])

/** Why a fetch that a dead server left open has ended. */
export const LOST_TRACK_REASON = 'the server stopped while it was in progress'

/**
 * Takes the lock, checks the chain, sets a torn tail aside, ends the fetches that a dead server left open
 * (`lost-track`; their bytes and times are unknown and stand as 0) and opens the file for appending. When there was
 * no room even for that, the ledger opens full: look at `writable`.
 * Throws FP_LEDGER_HELD, FP_LEDGER_BROKEN and FP_LEDGER_FOREIGN (nothing is changed then), FP_LEDGER_UNWRITABLE,
 * FP_LEDGER_FULL.
 */
export async function openLedger(options: LedgerOptions): Promise<Ledger> {
  const records = resolve(options.records)
  try {
    mkdirSync(records, { recursive: true, mode: 0o700 })
    assertOwn(records)
    keepToOwner(records)
    const lock = await takeLock(records, { now: options.now })
    try {
      return await openLocked(options, records, lock)
    } catch (error) {
      lock.release()
      throw error
    }
  } catch (error) {
    throw asLedgerError(error, records)
  }
}

async function openLocked(options: LedgerOptions, records: string, lock: Lock): Promise<Ledger> {
  const { now = Date.now, onEntry = () => undefined, files = DISK } = options
  const file = join(records, LEDGER_FILE)
  const isNew = !existsSync(file)
  const stillThere = heldFolder(records)
  const found = await readBack(file, onEntry)
  const reserve = createReserve(files, records, options.reserveBytes ?? RESERVE_BYTES)
  reserve.ensure()
  const tornFile = found.tornBytes > 0 ? await setTornTailAside(file, found.length, now()) : undefined
  const writer = createLineWriter(files, file, found.length)
  if (isNew) syncFolder(records)
  const ledger = createLedger(options, { records, file, lock, reserve, writer, found, stillThere })
  try {
    for (const entry of recover(ledger, found, tornFile)) onEntry(entry)
    await ledger.synced()
  } catch (error) {
    await ledger.abandon()
    throw error
  }
  return ledger
}

function* recover(ledger: Ledger, found: FoundLedger, tornFile: string | undefined): Generator<Entry> {
  const lostTrack = [...found.openFetches]
  if (tornFile === undefined && lostTrack.length === 0) return
  yield ledger.append({ kind: 'recovered', tornBytes: found.tornBytes, tornFile, lostTrack })
  const ending = { ending: 'lost-track', bytesHandedOver: 0, durationMs: 0 } as const
  for (const id of lostTrack)
    yield ledger.append({ kind: 'fetch-ended', id, ...ending, reason: LOST_TRACK_REASON })
}

export type Ledger = ReturnType<typeof createLedger>

interface Opened {
  readonly records: string
  readonly file: string
  readonly lock: Lock
  readonly reserve: Reserve
  readonly writer: LineWriter
  readonly found: FoundLedger
  readonly stillThere: StillThere
}

function createLedger(options: LedgerOptions, opened: Opened) {
  // Long: one file and what may become of it; a function for each thing that is done with it.
  const { now = Date.now, files = DISK, gatherMs = GATHER_MS, probeMs = PROBE_MS } = options
  const { records, file, lock, reserve, writer, stillThere } = opened
  const events = new EventEmitter<LedgerEvents>()
  let { entries, sum, lastFetchId } = opened.found
  let isFull = false
  let failure: FetchproofError | undefined
  let isClosed = false
  let closing: Promise<void> | undefined
  let probe: NodeJS.Timeout | undefined
  const watch = setInterval(() => {
    try {
      look()
    } catch (error) {
      fail(error)
    }
  }, WATCH_MS).unref()
  const sync = createGroupSync({
    gatherMs,
    async datasync() {
      await files.datasync(writer.descriptor)
      look()
    },
    onSynced: (these) => events.emit('synced', these),
    onFailed: fail,
  })

  /** Throws when the file is not at its name, or holds more or less than we wrote. Takes some ten microseconds. */
  function look(): void {
    stillThere()
    const { inPlace, bytes } = files.look(writer.descriptor, file)
    if (!inPlace)
      throw new Error('another program moved or removed the ledger file, or its disk was taken away')
    if (bytes === writer.length || (bytes > writer.length && writer.partLeft)) return
    const did = bytes < writer.length ? 'cut' : 'wrote into'
    throw new Error(
      `another program ${did} the ledger file: stop this server, keep the file as it is, and start again`,
    )
  }

  /** Where it is not, the ledger has failed. */
  function assertInPlace(): void {
    if (failure !== undefined) throw failure
    try {
      look()
    } catch (error) {
      throw fail(error)
    }
  }

  function fail(error: unknown): FetchproofError {
    if (failure !== undefined) return failure
    const first = unwritable(records, error)
    failure = first
    clearInterval(probe)
    clearInterval(watch)
    queueMicrotask(() => events.emit('failed', first))
    return first
  }

  function put<K extends EntryKind>(entry: NewEntryOf<K>): EntryOf<K> {
    const sealed = sealLine<K>({ seq: entries + 1, prev: sum }, now(), entry)
    assertEntry(sealed.entry)
    write(Buffer.from(`${sealed.line}\n`), sealed.entry.kind)
    entries += 1
    sum = sealed.entry.sum
    sync.added(sealed.entry)
    events.emit('written', sealed.entry)
    return sealed.entry
  }

  function write(bytes: Buffer, kind: EntryKind): void {
    try {
      writer.write(bytes)
      return
    } catch (error) {
      if (!isNoRoom(error)) throw fail(error)
    }
    if (!isFull) becomeFull()
    if (!KEPT_WHEN_FULL.has(kind)) throw noRoom(records)
    try {
      writer.write(bytes)
    } catch (error) {
      throw isNoRoom(error) ? noRoom(records, error) : fail(error)
    }
  }

  function becomeFull(): void {
    isFull = true
    probe = setInterval(lookForRoom, probeMs).unref()
    queueMicrotask(() => events.emit('full'))
    try {
      reserve.giveUp()
    } catch {
      // Then there is no room for endings either, and the next write says so.
    }
  }

  function lookForRoom(): void {
    try {
      assertInPlace()
      reserve.restore()
    } catch {
      return
    }
    clearInterval(probe)
    isFull = false
    events.emit('room')
  }

  async function shut(reason?: string): Promise<void> {
    clearInterval(probe)
    clearInterval(watch)
    try {
      if (reason !== undefined && failure === undefined) put({ kind: 'closed', reason })
    } catch {
      // No room even for that: the ledger then ends without `closed`, as after a power loss.
    }
    isClosed = true
    await sync.settled().catch(() => undefined)
    try {
      writer.close()
    } finally {
      lock.release()
    }
  }

  return {
    events,
    file,
    records,
    /** Whether a new fetch can be recorded: false while the disk is full, after a failure, and once closed. */
    get writable(): boolean {
      return !isFull && failure === undefined && !isClosed
    },
    /** How many entries there are, and the `sum` of the last one (64 zeros when there is none). */
    get head(): { readonly entries: number; readonly sum: string } {
      return { entries, sum }
    },
    /** Writes into the lock file where the running server is reached. Rejects with FP_LEDGER_HELD, FP_LEDGER_UNWRITABLE. */
    async announce(known: { pagePort: number | null }): Promise<void> {
      assertInPlace()
      await lock.announce(known).catch((error: unknown) => {
        throw asLedgerError(error, records)
      })
    },
    /** A number for the next fetch or refusal, greater than any in the ledger. */
    nextFetchId(): number {
      lastFetchId += 1
      return lastFetchId
    },
    /**
     * Writes an entry; it is with the operating system when this returns, and the entry comes back as it stands in the
     * file (strings cut to 1 KiB). Throws FP_LEDGER_CLOSED, FP_LEDGER_UNWRITABLE after a failure, and FP_LEDGER_FULL:
     * while the disk is full for all but endings, holds and the like, and for those too when the reserve is used up.
     * Nothing of a refused entry stays in the file. TypeError when it does not fit its schema.
     */
    append<K extends EntryKind>(entry: { readonly kind: K } & NewEntryOf<K>): EntryOf<K> {
      if (isClosed) throw new FetchproofError('FP_LEDGER_CLOSED')
      if (failure !== undefined) throw failure
      if (isFull && !KEPT_WHEN_FULL.has(entry.kind)) throw noRoom(records)
      // What is served rests on this entry: into a file that nobody finds any more it would be written in vain.
      if (entry.kind === 'fetch-begun') assertInPlace()
      return put<K>(entry)
    },
    /** Resolves when everything appended so far is on the disk. Rejects with FP_LEDGER_UNWRITABLE. */
    async synced(): Promise<void> {
      await sync.settled().catch((error: unknown) => {
        throw failure ?? asLedgerError(error, records)
      })
    },
    /** Appends `closed`, syncs, gives the lock back. Idempotent; never rejects: a failure was told by its event. */
    close(reason: string): Promise<void> {
      closing ??= shut(reason)
      return closing
    },
    /** Gives file and lock back without a word in the ledger: nothing was opened for serving. */
    abandon(): Promise<void> {
      closing ??= shut()
      return closing
    },
  }
}

/** The folder's own list of names, made durable where the system allows it (not on Windows). */
function syncFolder(folder: string): void {
  try {
    const descriptor = openSync(folder, 'r')
    try {
      fsyncSync(descriptor)
    } finally {
      closeSync(descriptor)
    }
  } catch {
    // A new file's name may then be lost with the power; its entries with it.
  }
}
