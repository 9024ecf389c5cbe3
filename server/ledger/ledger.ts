/**
 * The ledger of a records folder, open for writing. An entry is in the operating system's hands when `append`
 * returns, so killing the process loses none; it is on the disk when `synced` names it.
 *
 *            append refuses            back again
 *   writable ── no room ──> full ── reserve restored ──> writable
 *      └─────── any other failure ──> failed (for good: after a failed sync nobody knows what the disk holds)
 */
import { EventEmitter } from 'node:events'
import { closeSync, fsyncSync, mkdirSync, openSync, statSync } from 'node:fs'
import { join, resolve } from 'node:path'
import { FetchproofError } from '../errors.ts'
import { heldFolder, type StillThere } from '../files/held-folder.ts'
import { sealLine } from './chain.ts'
import type { Entry, EntryKind, EntryOf, NewEntryOf } from './entries.ts'
import { assertEntry } from './entry-check.ts'
import { DISK, isNoRoom, type LedgerFiles } from './file-access.ts'
import { createGroupSync, GATHER_MS, type GroupSync } from './group-sync.ts'
import { asLedgerError, diskFaultWords, noRoom, unwritable } from './ledger-errors.ts'
import { createLineWriter, type LineWriter } from './line-writer.ts'
import { type Lock, type LockHolder, takeLock } from './lock.ts'
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

interface Parts {
  readonly records: string
  readonly file: string
  readonly now: () => number
  readonly files: LedgerFiles
  readonly lock: Lock
  readonly reserve: Reserve
  readonly writer: LineWriter
  readonly found: FoundLedger
  readonly gatherMs: number
  readonly probeMs: number
  readonly stillThere: StillThere
}

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
    const lock = await takeLock(records, options.now === undefined ? {} : { now: options.now })
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
  const kind = statSync(file, { throwIfNoEntry: false })
  const stillThere = heldFolder(records)
  const found = await readBack(file, onEntry)
  const reserve = createReserve(files, records, options.reserveBytes ?? RESERVE_BYTES)
  reserve.ensure()
  const tornBytes = found.tail.bytes
  const tornFile = tornBytes > 0 ? await setTornTailAside(file, found.tail, now()) : undefined
  const writer = createLineWriter(files, file, found.length)
  if (kind === undefined) syncFolder(records)
  const { gatherMs = GATHER_MS, probeMs = PROBE_MS } = options
  const ledger = new Ledger({
    ...{ records, file, now, files, lock, reserve, writer, found, gatherMs, probeMs, stillThere },
  })
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
  const torn = tornFile === undefined ? {} : { tornFile }
  yield ledger.append({ kind: 'recovered', tornBytes: found.tail.bytes, ...torn, lostTrack })
  for (const id of lostTrack) {
    const ending = {
      ending: 'lost-track',
      bytesHandedOver: 0,
      durationMs: 0,
      reason: LOST_TRACK_REASON,
    } as const
    yield ledger.append({ kind: 'fetch-ended', id, ...ending })
  }
}

/** Made by `openLedger` alone. */
export class Ledger {
  readonly events = new EventEmitter<LedgerEvents>()
  readonly file: string
  readonly records: string
  readonly #parts: Parts
  readonly #sync: GroupSync
  #entries: number
  #sum: string
  #lastFetchId: number
  #full: boolean = false
  #failure: FetchproofError | undefined
  #probe: NodeJS.Timeout | undefined
  readonly #watch: NodeJS.Timeout
  #closed: boolean = false
  #closing: Promise<void> | undefined

  constructor(parts: Parts) {
    this.#parts = parts
    this.file = parts.file
    this.records = parts.records
    this.#entries = parts.found.entries
    this.#sum = parts.found.sum
    this.#lastFetchId = parts.found.lastFetchId
    this.#sync = createGroupSync({
      gatherMs: parts.gatherMs,
      datasync: () => this.#datasync(),
      onSynced: (entries) => this.events.emit('synced', entries),
      onFailed: (error) => this.#fail(error),
    })
    this.#watch = setInterval(() => this.#isInPlace(), WATCH_MS).unref()
  }

  /** Whether a new fetch can be recorded: false while the disk is full, after a failure, and once closed. */
  get writable(): boolean {
    return !this.#full && this.#failure === undefined && !this.#closed
  }

  /** How many entries there are, and the `sum` of the last one (64 zeros when there is none). */
  get head(): { readonly entries: number; readonly sum: string } {
    return { entries: this.#entries, sum: this.#sum }
  }

  get token(): string {
    return this.#parts.lock.token
  }

  get lock(): LockHolder {
    return this.#parts.lock.holder
  }

  /** Writes into the lock file where the running server is reached. Throws FP_LEDGER_HELD, FP_LEDGER_UNWRITABLE. */
  announce(known: { pagePort: number | null }): void {
    if (!this.#isInPlace()) throw this.#failure
    try {
      this.#parts.lock.announce(known)
    } catch (error) {
      throw asLedgerError(error, this.records)
    }
  }

  /** A number for the next fetch or refusal, greater than any in the ledger. */
  nextFetchId(): number {
    this.#lastFetchId += 1
    return this.#lastFetchId
  }

  /**
   * Writes an entry; it is with the operating system when this returns, and the entry comes back as it stands in the
   * file (strings cut to 1 KiB). Throws FP_LEDGER_CLOSED, FP_LEDGER_UNWRITABLE after a failure, and FP_LEDGER_FULL:
   * while the disk is full for all but endings, holds and the like, and for those too when the reserve is used up.
   * Nothing of a refused entry stays in the file. TypeError when it does not fit its schema.
   */
  append<K extends EntryKind>(entry: { readonly kind: K } & NewEntryOf<K>): EntryOf<K> {
    if (this.#closed) throw new FetchproofError('FP_LEDGER_CLOSED')
    if (this.#failure !== undefined) throw this.#failure
    if (this.#full && !KEPT_WHEN_FULL.has(entry.kind)) throw noRoom(this.records)
    // What is served rests on this entry: into a file that nobody finds any more it would be written in vain.
    if (entry.kind === 'fetch-begun' && !this.#isInPlace()) throw this.#failure
    return this.#put<K>(entry)
  }

  /** Resolves when everything appended so far is on the disk. Rejects with FP_LEDGER_UNWRITABLE. */
  async synced(): Promise<void> {
    try {
      await this.#sync.settled()
    } catch (error) {
      throw this.#failure ?? asLedgerError(error, this.records)
    }
  }

  /** Appends `closed`, syncs, gives the lock back. Idempotent; never rejects: a failure was told by its event. */
  close(reason: string): Promise<void> {
    this.#closing ??= this.#shut(reason)
    return this.#closing
  }

  /** Gives file and lock back without a word in the ledger: opening went wrong. */
  abandon(): Promise<void> {
    this.#closing ??= this.#shut(undefined)
    return this.#closing
  }

  async #shut(reason: string | undefined): Promise<void> {
    clearInterval(this.#probe)
    clearInterval(this.#watch)
    try {
      if (reason !== undefined && this.#failure === undefined) this.#put({ kind: 'closed', reason })
    } catch {
      // No room even for that: the ledger then ends without `closed`, as after a power loss.
    }
    this.#closed = true
    await this.#sync.settled().catch(() => undefined)
    try {
      this.#parts.writer.close()
    } finally {
      this.#parts.lock.release()
    }
  }

  #put<K extends EntryKind>(entry: NewEntryOf<K>): EntryOf<K> {
    const place = { seq: this.#entries + 1, prev: this.#sum }
    const sealed = sealLine<K>(place, this.#parts.now(), entry)
    assertEntry(sealed.entry)
    this.#write(Buffer.from(`${sealed.line}\n`), sealed.entry.kind)
    this.#entries += 1
    this.#sum = sealed.entry.sum
    this.#sync.added(sealed.entry)
    this.events.emit('written', sealed.entry)
    return sealed.entry
  }

  #write(bytes: Buffer, kind: EntryKind): void {
    const { writer, reserve } = this.#parts
    try {
      writer.write(bytes)
      return
    } catch (error) {
      if (!isNoRoom(error)) throw this.#fail(error)
    }
    if (!this.#full) {
      this.#full = true
      this.#probe = setInterval(() => this.#lookForRoom(), this.#parts.probeMs)
      this.#probe.unref()
      queueMicrotask(() => this.events.emit('full'))
      try {
        reserve.giveUp()
      } catch {
        // Then there is no room for endings either, and the next write says so.
      }
    }
    if (!KEPT_WHEN_FULL.has(kind)) throw noRoom(this.records)
    try {
      writer.write(bytes)
    } catch (error) {
      throw isNoRoom(error) ? noRoom(this.records, error) : this.#fail(error)
    }
  }

  #lookForRoom(): void {
    if (!this.#isInPlace()) return
    try {
      this.#parts.reserve.restore()
    } catch {
      return
    }
    clearInterval(this.#probe)
    this.#full = false
    this.events.emit('room')
  }

  async #datasync(): Promise<void> {
    const { files, writer } = this.#parts
    await files.datasync(writer.descriptor)
    this.#look()
  }

  /** Throws when the file is not at its name, or holds more or less than we wrote. Takes some ten microseconds. */
  #look(): void {
    const { files, writer, stillThere } = this.#parts
    stillThere()
    const { inPlace, bytes } = files.look(writer.descriptor, this.file)
    if (!inPlace)
      throw new Error('another program moved or removed the ledger file, or its disk was taken away')
    if (bytes === writer.length || (bytes > writer.length && writer.partLeft)) return
    const did = bytes < writer.length ? 'cut' : 'wrote into'
    throw new Error(
      `another program ${did} the ledger file: stop this server, keep the file as it is, and start again`,
    )
  }

  /** Where it is not, the ledger has failed. */
  #isInPlace(): boolean {
    if (this.#failure !== undefined) return false
    try {
      this.#look()
      return true
    } catch (error) {
      this.#fail(error)
      return false
    }
  }

  #fail(error: unknown): FetchproofError {
    if (this.#failure !== undefined) return this.#failure
    const failure = unwritable(this.records, diskFaultWords(error), error)
    this.#failure = failure
    clearInterval(this.#probe)
    clearInterval(this.#watch)
    queueMicrotask(() => this.events.emit('failed', failure))
    return failure
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
