/**
 * From hex words to what may be a digest: every stretch of linked words that has a digest's length, to be looked up
 * (a match is certain, whatever the dress), and the one plausible reading of what matched nothing, to be spoken of.
 */
import { algorithmOfDigits } from './algorithm.ts'
import type { HexPiece, HexText, HexWord, Link } from './hex-words.ts'
import { lineBefore } from './text-decoding.ts'

/** Digits of a CRC-32. */
export const SHORT_DIGITS = 8
/** Digits of SHA-512. */
const LONGEST_DIGITS = 128
/** Those that are computed for every image anyway, so that looking up each stretch of a dump costs no reading. */
const USUAL_DIGITS: ReadonlySet<number> = new Set([32, 40, 64, 128])

interface Stretch {
  /** Indexes of its first and last word. */
  readonly first: number
  readonly last: number
}

export type DigestReading = Stretch & HexPiece

export function isDigestLength(digits: number): boolean {
  return algorithmOfDigits(digits) !== undefined
}

export function digitsIn(hex: HexText, stretch: Stretch): string {
  const from = hex.words[stretch.first]?.from ?? 0
  return hex.digits.slice(from, from + digitCount(hex, stretch))
}

function digitCount({ words }: HexText, { first, last }: Stretch): number {
  const end = words[last]
  return end === undefined ? 0 : end.from + end.length - (words[first]?.from ?? 0)
}

export function readingOf(hex: HexText, { first, last }: Stretch, tentative = false): DigestReading {
  const start = hex.words[first]?.start ?? 0
  const end = hex.words[last]?.end ?? 0
  return { first, last, start, end, value: digitsIn(hex, { first, last }), tentative }
}

/**
 * Every stretch of words, linked in one way, that has the length of a digest. Of 8 digits single words alone: among
 * all pairs of a dump some would have an image's CRC-32 by chance. At most 128 steps a word.
 */
export function* stretches(hex: HexText, lengths: ReadonlySet<number>): Generator<Stretch> {
  const { words } = hex
  for (let first = 0; first < words.length; first += 1) {
    let digits = 0
    let how: Link | undefined
    for (let last = first; last < words.length; last += 1) {
      const word = words[last]
      if (word === undefined) break
      // A single digit is part of a digest only where a line break split a group.
      if (word.length === 1 && word.link !== 'break' && (last === first || words[last - 1]?.link !== 'break'))
        break
      digits += word.length
      if (digits > LONGEST_DIGITS) break
      const mayBe = last === first || digits !== SHORT_DIGITS
      if (mayBe && lengths.has(digits) && isDigestLength(digits)) yield { first, last }
      if (word.link === 'none') break
      if (word.link === 'break') continue
      how ??= word.link
      if (word.link !== how) break
    }
  }
}

/** Lengths for which digests are to be looked up: of single words, and of all readings that speak for themselves. */
export function lengthsIn(hex: HexText, readings: readonly DigestReading[]): ReadonlySet<number> {
  const lengths = new Set<number>()
  for (const { length } of hex.words) lengths.add(length)
  for (const { value, tentative } of readings) if (!tentative) lengths.add(value.length)
  for (const { value } of hex.smudged) lengths.add(value.length)
  for (const stretch of stretches(hex, USUAL_DIGITS)) {
    lengths.add(digitCount(hex, stretch))
    if ([...USUAL_DIGITS].every((digits) => lengths.has(digits))) break
  }
  return lengths
}

/** The plausible reading of each word that is not taken yet, in the order of the text. */
export function digestReadings(hex: HexText, taken: Iterable<number> = []): DigestReading[] {
  const used = new Uint8Array(hex.words.length)
  for (const at of taken) used[at] = 1
  const readings: DigestReading[] = []
  const keep = (stretch: Stretch, tentative = false): void => {
    readings.push(readingOf(hex, stretch, tentative))
    if (!tentative) used.fill(1, stretch.first, stretch.last + 1)
  }
  const isFree = ({ first, last }: Stretch): boolean => !used.subarray(first, last + 1).includes(1)
  for (const join of wrapped(hex)) if (isFree(join)) keep(join, join.tentative)
  for (const [at, word] of hex.words.entries())
    if (used[at] === 0 && isWhole(word)) keep({ first: at, last: at })
  const groups = groupsOf(hex).sort((a, b) => b.last - b.first - (a.last - a.first))
  for (const group of groups) if (isFree(group)) keep(group)
  for (const [at, { length }] of hex.words.entries())
    if (length >= SHORT_DIGITS && used[at] === 0) keep({ first: at, last: at })
  return readings.sort((a, b) => a.first - b.first || b.last - a.last)
}

/** Words of one size on one line, written and linked in one way; the last one may be shorter where that makes a digest. */
function groupsOf(hex: HexText): Stretch[] {
  const { words } = hex
  const groups: Stretch[] = []
  let first = 0
  while (first < words.length) {
    const last = endOfGroup(words, first)
    const digits = last === first ? 0 : digitCount(hex, { first, last })
    const isLong = digits >= SHORT_DIGITS && digits <= LONGEST_DIGITS + 2
    if (isLong && words[first]?.length !== 1) groups.push({ first, last })
    // The last word of one group may be the first of the next: `be d4:1d:8c`.
    first = last > first && words[last]?.link !== 'none' && words[last]?.link !== 'break' ? last : last + 1
  }
  return groups
}

function endOfGroup(words: readonly HexWord[], first: number): number {
  const size = words[first]?.length ?? 0
  const how = words[first]?.link ?? 'none'
  let last = first
  let digits = size
  while (how !== 'none' && how !== 'break' && words[last]?.link === how) {
    const next = words[last + 1]
    if (next === undefined || next.length > size) break
    // All have `0x` before them, or at most the first one.
    if (next.prefixed && !words[first]?.prefixed) break
    if (last > first && next.prefixed !== words[last]?.prefixed) break
    if (next.length < size && !isDigestLength(digits + next.length)) break
    last += 1
    digits += next.length
    if (next.length < size) break
  }
  return last
}

interface Join extends Stretch {
  readonly tentative: boolean
}

/** More rows than a SHA-512 takes in rows of eight bytes are a dump. */
const MOST_LINES = 8

/** Stretches over line breaks which, taken whole, have a digest's length. */
function wrapped(hex: HexText): Join[] {
  const { words } = hex
  const joins: Join[] = []
  for (let at = 0; at < words.length; at += 1) {
    if (words[at]?.link !== 'break') continue
    const { first, last, lines, how } = lineChain(words, at)
    at = last
    const digits = digitCount(hex, { first, last })
    if (digits <= SHORT_DIGITS || !isDigestLength(digits)) continue
    if (how === undefined) joins.push({ first, last, tentative: !isWrappedWord(hex, { first, last }) })
    // A date above a digest is no part of it.
    else if (lines <= MOST_LINES && !words.slice(first, last + 1).some(isWhole))
      joins.push({ first, last, tentative: false })
  }
  return joins
}

function isWhole({ length }: HexWord): boolean {
  return length > SHORT_DIGITS && isDigestLength(length)
}

/** All that hangs together around the line break after word `at`. */
function lineChain(
  words: readonly HexWord[],
  at: number,
): Stretch & { lines: number; how: Link | undefined } {
  let first = at
  const before = words[at - 1]?.link
  let how = before === undefined || before === 'none' || before === 'break' ? undefined : before
  while (how !== undefined && words[first - 1]?.link === how) first -= 1
  let lines = 1
  let last = at
  for (;;) {
    const link = words[last]?.link ?? 'none'
    if (link === 'none') break
    if (link === 'break') lines += 1
    else if (how !== undefined && link !== how) break
    else how = link
    last += 1
  }
  return { first, last, lines, how }
}

/** Characters in a line, more than consoles have (common practice: 80 to 240). */
const WIDEST_CONSOLE = 512

/** One word over several lines: no part is a digest itself, and all lines but the last are of one width. */
function isWrappedWord(hex: HexText, { first, last }: Stretch): boolean {
  const parts = hex.words.slice(first, last + 1)
  if (parts.some(isWhole)) return false
  const widths = parts.map(({ start, end }) => {
    const before = lineBefore(hex.text, start, WIDEST_CONSOLE + 1).length
    return before > WIDEST_CONSOLE ? Number.NaN : before + end - start
  })
  const width = widths[0] ?? 0
  return widths.every((other, at) => (at < widths.length - 1 ? other === width : other <= width))
}

/** Digits printed for another purpose: a row of a dump, or an IPv6 address in full (eight fours, RFC 4291 §2.2). */
export function hasOtherPurpose(hex: HexText, { first, last }: Stretch): boolean {
  if (first === last) return false
  const words = hex.words.slice(first, last + 1)
  const isAddress =
    words.length === 8 &&
    words.every(({ length, link }, at) => length === 4 && (at === 7 || link === 'colon'))
  if (isAddress) return true
  const before = lineBefore(hex.text, words[0]?.start ?? 0, LONGEST_ROW_HEAD + 1)
  return before.length <= LONGEST_ROW_HEAD && /^[ \t]*(?:0[xX])?[0-9A-Fa-f]{4,16}[:|]?[ \t]+$/.test(before)
}

/** Of the address before a row of a dump, and its blanks. */
const LONGEST_ROW_HEAD = 40
