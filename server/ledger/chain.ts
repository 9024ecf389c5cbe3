/**
 * One line of the ledger: sealing it and checking it. Pure.
 *
 *   {"seq":7,"at":"…","kind":"…","prev":"<sum of line 6>",…,"sum":"<64 hex digits>"}
 *   └──────────────── the sealed bytes ──────────────────┘└──────── the tail ──────┘
 *
 * `sum` is the SHA-256 (FIPS 180-4), in lower-case hex, of the UTF-8 bytes from the opening brace up to and not
 * including `,"sum":"`. The tail is exactly those eight bytes, 64 digits and `"}`, so no byte of a line is
 * outside the check. `prev` ties a line to the one before it; the first line has 64 zeros there.
 *
 * Every string of an entry is cut to 1 KiB when it is sealed, whoever wrote it: no caller can forget a field
 * that comes from outside, and no digest is ever that long.
 */
import { hash } from 'node:crypto'
import type { Entry, EntryKind, EntryOf, NewEntryOf } from './entries.ts'
import { misformed } from './entry-check.ts'
import { cutText, escapeInvisible } from './outside-text.ts'

/** `prev` of the first line, and the head of an empty ledger. */
export const FIRST_PREV = '0'.repeat(64)
/** No line is longer, its newline not counted: readers can rely on it to bound their memory. */
export const MAX_LINE_BYTES = 16 * 1024 * 1024

const OPENING_BRACE = 0x7b
const TAIL_BYTES = tailWith(FIRST_PREV).length
// Whatever stands for the digits: wrong ones are a wrong sum.
const TAIL = /^,"sum":".{64}"\}$/s

/** Where a line stands: its number, from 1, and the `sum` of the line before it. */
interface LinePlace {
  readonly seq: number
  readonly prev: string
}

/** A line without its newline, and the entry as it will be read back from it. */
interface SealedLine<K extends EntryKind> {
  readonly line: string
  readonly entry: EntryOf<K>
}

type CheckedLine = { readonly entry: Entry } | { readonly why: string }

/**
 * Seals a new entry at its place; `at` in milliseconds since 1970. Throws TypeError for a value that JSON cannot
 * keep (not finite, a function, …) and RangeError for an entry of more than 16 MiB.
 */
export function sealLine<K extends EntryKind>(
  place: LinePlace,
  at: number,
  entry: NewEntryOf<K>,
): SealedLine<K> {
  const { kind, ...body } = entry
  for (const reserved of ['seq', 'at', 'prev', 'sum']) {
    if (reserved in body) throw new TypeError(`An entry's "${reserved}" is set by the ledger alone.`)
  }
  const fields = plain(
    { seq: place.seq, at: new Date(at).toISOString(), kind, prev: place.prev, ...body },
    kind,
  )
  const sealed = escapeInvisible(JSON.stringify(fields)).slice(0, -1)
  const sum = hash('sha256', sealed, 'hex')
  const line = sealed + tailWith(sum)
  if (line.length > MAX_LINE_BYTES || Buffer.byteLength(line) > MAX_LINE_BYTES) {
    throw new RangeError(`The entry "${kind}" is longer than ${MAX_LINE_BYTES} bytes.`)
  }
  return { line, entry: { ...(fields as object), sum } as EntryOf<K> }
}

/** Checks the bytes of one line, without its newline, against the place where it stands; says why it is bad. */
export function checkLine(bytes: Buffer, place: LinePlace): CheckedLine {
  const sealedBytes = bytes.length - TAIL_BYTES
  if (sealedBytes < 1 || bytes[0] !== OPENING_BRACE) return { why: noSumReason(bytes) }
  const sum = hash('sha256', bytes.subarray(0, sealedBytes), 'hex')
  const text = bytes.toString('utf8')
  // A tail in the text is one in the bytes: only bytes below 0x80 become ASCII (RFC 3629 §3).
  if (!text.endsWith(tailWith(sum))) {
    if (!TAIL.test(text.slice(-TAIL_BYTES))) return { why: noSumReason(bytes) }
    return { why: 'its bytes do not match its sum: it was changed after it was written' }
  }
  const parsed = parseText(text)
  if ('why' in parsed) return parsed
  const why = misplaced(parsed.entry, place)
  return why === undefined ? parsed : { why }
}

/** The same of a line whose chain is not asked for. */
export function parseLine(bytes: Buffer): CheckedLine {
  return parseText(bytes.toString('utf8'))
}

function parseText(text: string): CheckedLine {
  let value: unknown
  try {
    value = JSON.parse(text)
  } catch {
    // As a value that is no entry.
  }
  if (!isEntry(value)) return { why: 'it is not an entry of a ledger' }
  const why = misformed(value)
  return why === undefined ? { entry: value } : { why }
}

function tailWith(sum: string): string {
  return `,"sum":"${sum}"}`
}

function noSumReason(bytes: Buffer): string {
  if (bytes.length === 0) return 'it is empty'
  if (bytes.length > MAX_LINE_BYTES) return 'it is longer than any line of a ledger'
  if (bytes.at(-1) === 0x0d) return 'its line ending was changed: another program has rewritten the file'
  if (bytes.includes(0))
    return 'it holds zero bytes: part of it never reached the disk, or it was overwritten'
  return 'it does not begin and end as a line of a ledger does'
}

function misplaced(entry: Entry, place: LinePlace): string | undefined {
  if (entry.seq > place.seq) {
    const missing = entry.seq - place.seq
    const lines = missing === 1 ? `line ${place.seq} is` : `lines ${place.seq} to ${entry.seq - 1} are`
    return `it says it is line ${entry.seq}: ${lines} missing or moved`
  }
  if (entry.seq < place.seq) return `it says it is line ${entry.seq}: it was repeated or moved`
  if (entry.prev !== place.prev) {
    return 'it does not follow the line before it: that line, or this one, was replaced'
  }
  return undefined
}

function isEntry(value: unknown): value is Entry {
  if (typeof value !== 'object' || value === null) return false
  const { seq, at, kind, prev, sum } = value as Record<string, unknown>
  return (
    Number.isSafeInteger(seq) &&
    typeof at === 'string' &&
    typeof kind === 'string' &&
    typeof prev === 'string' &&
    typeof sum === 'string'
  )
}

/**
 * A copy that JSON keeps exactly: strings cut, members that are undefined dropped. Names of members (columns of a
 * visit sheet) come from outside too; two that become equal by cutting are numbered.
 */
function plain(value: unknown, where: string): unknown {
  if (typeof value === 'string') return cutText(value)
  if (value === null || typeof value === 'boolean') return value
  if (typeof value === 'number' && Number.isFinite(value)) return value === 0 ? 0 : value
  if (Array.isArray(value)) return value.map((item, index) => plain(item, `${where}[${index}]`))
  if (typeof value !== 'object' || !isPlainObject(value)) {
    throw new TypeError(`The ledger cannot keep ${where}: ${String(value)} has no form in JSON.`)
  }
  const members = new Map<string, unknown>()
  for (const [name, member] of Object.entries(value)) {
    if (member === undefined) continue
    let kept = cutText(name)
    for (let count = 2; members.has(kept); count += 1) kept = `${cutText(name)}${count}`
    members.set(kept, plain(member, `${where}.${kept}`))
  }
  return Object.fromEntries(members)
}

function isPlainObject(value: object): boolean {
  const prototype: unknown = Object.getPrototypeOf(value)
  return prototype === Object.prototype || prototype === null
}
