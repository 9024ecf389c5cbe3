/**
 * `visit.csv` of a staging folder, read live. Looked at by its size and times once a second: that works on shares
 * and sticks too, where events get lost. A sheet that cannot be read or is wrong never stops serving; the last one
 * that could be read stays in force, and what is the matter is said. So it does while a new one is being written.
 */
import { createHash } from 'node:crypto'
import { EventEmitter } from 'node:events'
import { join } from 'node:path'
import { isFetchproofError, messageOf, systemCode } from '../errors.ts'
import { FILE_ACCESS, type FileAccess } from '../files/file-access.ts'
import { type FileIdentity, sameFile } from '../files/folder.ts'
import type { WriterOf } from '../files/open-writers.ts'
import { SHEET_FILE } from '../staging/offered-names.ts'
import type { SettleTimes } from '../staging/settling.ts'
import { parseSheet } from './sheet.ts'
import { problemText, SHEET_LIMITS, type Sheet } from './sheet-rows.ts'

/** The sheet as it was last read. */
export interface ReadSheet extends Pick<Sheet, 'rows' | 'columns'> {
  readonly file: string
  /** Of the bytes that were read; of no bytes once the file is gone. */
  readonly sha256: string
  /** What is wrong, as `row 3, column mac: …`. */
  readonly errors: readonly string[]
  /** What works and is worth a look, in the same form. */
  readonly warnings: readonly string[]
}

interface VisitFileEvents {
  /** Read for the first time, changed, or gone. */
  changed: [sheet: ReadSheet]
  /** The file is there and cannot be read; said once until it can be. */
  trouble: [message: string]
  /** It can be read again, or has gone. */
  readable: []
}

export interface VisitFileOptions {
  /** Links resolved. */
  readonly folder: string
  readonly everyMs?: number
  readonly files?: FileAccess
  /** For how long a changed sheet must be quiet before it counts; taken at sight where there are none. */
  readonly settle?: SettleTimes | undefined
  readonly writerOf?: WriterOf | undefined
  readonly steadyMs?: () => number
}

const EVERY_MS = 1_000
/** A sheet whose last line does not end is waited for longer, but its author waits too. */
const UNSURE_AT_MOST_MS = 5_000

/** Read, and not in force yet. */
interface Candidate {
  readonly identity: FileIdentity
  readonly bytes: Uint8Array
  readonly sinceMs: number
}

export function createVisitFile({
  folder,
  everyMs = EVERY_MS,
  files = FILE_ACCESS,
  settle = { settleMs: 0, settleUnsureMs: 0 },
  writerOf = async () => undefined,
  steadyMs = () => performance.now(),
}: VisitFileOptions) {
  // Long: one file's life: seen, quiet, read, gone.
  const events = new EventEmitter<VisitFileEvents>()
  const path = join(folder, SHEET_FILE)
  let sheet: ReadSheet | undefined
  let identity: FileIdentity | undefined
  let candidate: Candidate | undefined
  let isFirst = true
  let missing = 0
  let troubled = false
  let looking: Promise<void> | undefined
  let closed = false

  function take(bytes: Uint8Array): void {
    const sha256 = createHash('sha256').update(bytes).digest('hex')
    if (sheet?.sha256 === sha256) return
    const { rows, columns, problems } = parseSheet(bytes)
    const errors = problems.filter(({ warning }) => warning !== true).map(problemText)
    const warnings = problems.filter(({ warning }) => warning === true).map(problemText)
    sheet = Object.freeze({ file: SHEET_FILE, sha256, rows, columns, errors, warnings })
    events.emit('changed', sheet)
  }

  /** Spreadsheets remove the file for a moment when they save: only twice missing is gone. */
  function takeMissing(): void {
    identity = undefined
    candidate = undefined
    missing += 1
    if (missing < 2 || sheet === undefined || sheet === GONE_SHEET) return
    sheet = GONE_SHEET
    events.emit('changed', sheet)
  }

  async function read(): Promise<void> {
    const open = await files.open(folder, path)
    try {
      if (identity !== undefined && sameFile(identity, open.identity)) return
      if (candidate !== undefined && sameFile(candidate.identity, open.identity)) return
      const bytes = await open.readHead(Math.min(Number(open.identity.size), SHEET_LIMITS.bytes + 1))
      const now = await open.stat()
      // Still being written, or emptied to be written anew: the next look sees the rest.
      const whole = sameFile(now, open.identity) && (bytes.length > 0 || identity === undefined)
      candidate = whole ? { identity: open.identity, bytes, sinceMs: steadyMs() } : undefined
    } finally {
      await open.close()
    }
  }

  /** Not before it has been quiet, and nobody has it open for writing. What lies there at the start counts at once. */
  async function takeQuiet(): Promise<void> {
    if (candidate === undefined || closed) return
    const { bytes, sinceMs } = candidate
    const unsureMs = Math.min(settle.settleUnsureMs, UNSURE_AT_MOST_MS)
    const neededMs = endsWhole(bytes) ? settle.settleMs : Math.max(settle.settleMs, unsureMs)
    if (!isFirst && steadyMs() - sinceMs < neededMs) return
    if (!isFirst && (await writerOf(await files.realpath(path))) !== undefined) return
    identity = candidate.identity
    candidate = undefined
    take(bytes)
  }

  function recovered(): void {
    if (!troubled) return
    troubled = false
    events.emit('readable')
  }

  async function lookOnce(): Promise<void> {
    try {
      await read()
      await takeQuiet()
      missing = 0
      recovered()
    } catch (error) {
      const code = systemCode(error)
      if (code === 'ENOENT' || code === 'ENOTDIR') {
        recovered()
        return takeMissing()
      }
      if (troubled || closed || isFetchproofError(error, 'FP_IMAGE_CHANGED')) return
      troubled = true
      const why = code ?? messageOf(error)
      events.emit('trouble', `The visit sheet ${SHEET_FILE} cannot be read (${why}). ${LAST_STAYS}`)
    }
  }

  function look(): Promise<void> {
    looking ??= lookOnce().finally(() => {
      looking = undefined
      isFirst = false
    })
    return looking
  }

  const timer = setInterval(() => void look(), everyMs)
  timer.unref()
  return {
    events,
    /** undefined while there has been no sheet. */
    get sheet(): ReadSheet | undefined {
      return sheet
    },
    /** The file is there and could not be read at the last look. */
    get troubled(): boolean {
      return troubled
    },
    /** Looks now; rejects never. */
    look,
    close(): void {
      closed = true
      clearInterval(timer)
    },
  }
}

/** The last line ends, and no quotation mark is left open: spreadsheets always end so. */
function endsWhole(bytes: Uint8Array): boolean {
  let end = bytes.length
  while (end > 0 && bytes[end - 1] === 0) end -= 1
  const last = bytes[end - 1]
  return (last === 0x0a || last === 0x0d) && bytes.filter((byte) => byte === 0x22).length % 2 === 0
}

const LAST_STAYS = 'It may be open in another program; what was read last stays in force.'

/** In force once the file is gone: nothing is planned. */
export const GONE_SHEET: ReadSheet = Object.freeze({
  file: SHEET_FILE,
  sha256: createHash('sha256').update('').digest('hex'),
  rows: [],
  columns: [],
  errors: [`${SHEET_FILE} is gone: nothing is planned any more.`],
  warnings: [],
})
