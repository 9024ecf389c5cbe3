/**
 * Checksum files as makers publish them -> entries. Forms: GNU coreutils (`HEX  NAME`, `HEX *NAME`, a leading
 * backslash when the name is escaped; coreutils manual, "md5sum invocation"), its tagged form (`SHA256 (NAME) =
 * HEX`, BSD's), OpenSSL's (`SHA2-256(NAME)= HEX`), and a bare digest in a sidecar. Content never throws: what
 * cannot be used is a problem with its line number.
 */
import type { Algorithm } from '../digests/algorithm.ts'
import { ALGORITHM_FACTS, algorithmOfDigits, algorithmOfTag } from '../digests/algorithm.ts'
import { decodeText } from '../digests/text.ts'
import { checksumFileName } from './names.ts'

export interface PublishedEntry {
  readonly algorithm: Algorithm
  /** Lower-case hex. */
  readonly digest: string
  /** The file it speaks of, unescaped, folders and all; absent for a bare digest. */
  readonly name?: string
  /** From 1. */
  readonly line: number
}

export interface ChecksumProblem {
  /** From 1; 0 when it is about the whole file. */
  readonly line: number
  readonly what: string
}

export interface ParsedChecksums {
  readonly entries: readonly PublishedEntry[]
  readonly problems: readonly ChecksumProblem[]
}

/** Lists of whole distributions have 5 MB; 16 MiB hold some 200,000 entries. A longer file is no checksum file. */
export const MAX_CHECKSUM_FILE_BYTES = 16 * 1024 * 1024
export const MAX_CHECKSUM_LINE_CHARACTERS = 64 * 1024
/** A file of nonsense would otherwise give a problem a line. */
const MAX_PROBLEMS = 20
/** Between two turns of whoever else is served: a few milliseconds of work. */
const LINES_A_TURN = 4_000

/**
 * Reads the checksum file `fileName` (its name says the algorithm and whether it is a sidecar) with `content`.
 * Never throws on content.
 */
export function parseChecksums(fileName: string, content: Uint8Array | string): ParsedChecksums {
  const parsing = parsingInTurns(fileName, content)
  for (;;) {
    const next = parsing.next()
    if (next.done === true) return next.value
  }
}

/** The same in turns of a few milliseconds, for lists that others should not have to wait for. */
export function* parsingInTurns(
  fileName: string,
  content: Uint8Array | string,
): Generator<void, ParsedChecksums, void> {
  const bytes = content.length
  if (bytes > MAX_CHECKSUM_FILE_BYTES) {
    return refused(
      `The file has ${bytes} bytes; checksum files of up to ${MAX_CHECKSUM_FILE_BYTES} are read.`,
    )
  }
  const text = typeof content === 'string' ? content.replace(/^\uFEFF/, '') : decodeText(content)
  const expected = checksumFileName(fileName)
  const entries: PublishedEntry[] = []
  const problems: ChecksumProblem[] = []
  let armour = false
  for (const [line, raw] of linesOf(text)) {
    if (line % LINES_A_TURN === 0) yield
    if (raw.length > MAX_CHECKSUM_LINE_CHARACTERS) {
      return refused(`Line ${line} is longer than ${MAX_CHECKSUM_LINE_CHARACTERS} characters.`)
    }
    const trimmed = raw.replace(/\r$/, '')
    armour = insideArmour(trimmed, armour)
    if (armour || isSilent(trimmed)) continue
    const read = readLine(trimmed, expected?.algorithm)
    if ('what' in read) problems.push({ line, what: read.what })
    else entries.push({ ...read, line })
  }
  if (entries.length === 0 && expected?.kind === 'sidecar') {
    const only = onlyDigest(text, expected.algorithm)
    if (only !== undefined) return { entries: [only], problems: [] }
  }
  return { entries, problems: problems.slice(0, MAX_PROBLEMS) }
}

/** Lines with their numbers from 1; one after the other, since all at once take many times the text's own room. */
function* linesOf(text: string): Generator<[line: number, raw: string], void, void> {
  let from = 0
  for (let line = 1; ; line += 1) {
    const end = text.indexOf('\n', from)
    yield [line, end === -1 ? text.slice(from) : text.slice(from, end)]
    if (end === -1) return
    from = end + 1
  }
}

function refused(what: string): ParsedChecksums {
  return { entries: [], problems: [{ line: 0, what }] }
}

/** Clear-signed lists (RFC 9580 §7) carry their signature in an armoured block. */
function insideArmour(line: string, before: boolean): boolean {
  if (line.startsWith('-----BEGIN PGP SIGNATURE')) return true
  return before && !line.startsWith('-----END PGP')
}

/** Empty lines, comments, and the frame of a clear-signed list. */
function isSilent(line: string): boolean {
  return /^\s*(?:$|#|;|-----(?:BEGIN|END) PGP|Hash: SHA)/.test(line)
}

type Read = Omit<PublishedEntry, 'line'> | { readonly what: string }

function readLine(line: string, expected: Algorithm | undefined): Read {
  // coreutils skips white space, then one backslash that says "this name is escaped".
  const start = line.replace(/^[ \t]+/, '')
  const escaped = start.startsWith('\\')
  const rest = escaped ? start.slice(1) : start
  const tagged = /^([A-Za-z0-9/-]+) ?\((.*)\) ?= ?([0-9A-Fa-f]+)[ \t]*$/.exec(rest)
  if (tagged !== null) return readTagged(tagged, escaped)
  const plain = /^([0-9A-Fa-f]+)(?:[ \t]+|$)/.exec(rest)
  const digest = plain?.[1]
  if (digest === undefined) return { what: 'This is neither a digest with a file name nor a comment.' }
  const algorithm = algorithmOfDigits(digest.length)
  if (algorithm === undefined) {
    return { what: `${digest.length} hex digits are no digest that is known here.` }
  }
  if (expected !== undefined && algorithm !== expected) return wrongLength(digest, expected)
  return withName(algorithm, digest, nameAfter(rest.slice(digest.length)), escaped)
}

function readTagged(found: RegExpExecArray, escaped: boolean): Read {
  const [, tag = '', name = '', digest = ''] = found
  const algorithm = algorithmOfTag(tag)
  if (algorithm === undefined) return { what: `The digest ${tag} is not known here.` }
  if (digest.length !== ALGORITHM_FACTS[algorithm].digits) return wrongLength(digest, algorithm)
  return withName(algorithm, digest, name, escaped)
}

function wrongLength(digest: string, algorithm: Algorithm): Read {
  const { label, digits } = ALGORITHM_FACTS[algorithm]
  return { what: `The digest has ${digest.length} hex digits; ${label} has ${digits}.` }
}

/**
 * After the digest: a blank and then the mode (blank for text, `*` for binary) before the name; with a single
 * blank, the name follows at once (the older BSD order, which coreutils reads too). `-` is standard input.
 */
function nameAfter(rest: string): string {
  const second = rest[1]
  const name = second === ' ' || second === '*' || second === '\t' ? rest.slice(2) : rest.slice(1)
  return name === '-' || name.trim() === '' ? '' : name
}

function withName(algorithm: Algorithm, digest: string, name: string, escaped: boolean): Read {
  const lower = digest.toLowerCase()
  if (name === '') return { algorithm, digest: lower }
  const plain = escaped ? unescapeName(name) : name
  if (plain === undefined)
    return { what: 'The file name has a backslash escape other than \\\\, \\n and \\r.' }
  return { algorithm, digest: lower, name: plain }
}

const ESCAPES: Readonly<Record<string, string>> = { '\\': '\\', n: '\n', r: '\r' }

function unescapeName(name: string): string | undefined {
  let bad = false
  const plain = name.replace(/\\(.?)/gs, (_whole, letter: string) => {
    const character = ESCAPES[letter]
    if (character === undefined) bad = true
    return character ?? ''
  })
  return bad ? undefined : plain
}

/** A shell's own table (name of the algorithm, digest, path): taken when it holds one digest and no other. */
function onlyDigest(text: string, algorithm: Algorithm): PublishedEntry | undefined {
  const found = findDigests(text).filter((digest) => digest.algorithm === algorithm)
  const [first] = found
  return first !== undefined && found.every((other) => other.digest === first.digest) ? first : undefined
}

/** Every run of hex digits in `text` that has a digest's length, for sidecars of other shapes and pasted text. */
export function findDigests(text: string): PublishedEntry[] {
  return text.split('\n').flatMap((content, index) =>
    [...content.matchAll(/(?<![0-9A-Za-z])[0-9A-Fa-f]{32,128}(?![0-9A-Za-z])/g)].flatMap(([digits]) => {
      const algorithm = algorithmOfDigits(digits.length)
      return algorithm === undefined ? [] : [{ algorithm, digest: digits.toLowerCase(), line: index + 1 }]
    }),
  )
}
