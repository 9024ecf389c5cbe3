/**
 * The hex words of a text as a console gives it, and how each stands to the next: what people and devices put
 * between the digits of a digest is one of a few separators, or a line break where the console was too narrow.
 */
import { ALGORITHM_NAMES } from './labels.ts'
import { tidied } from './text.ts'

/** Between two words of one digest. Not more than one kind is used in one digest, line breaks aside. */
export type Link = 'none' | 'space' | 'colon' | 'hyphen' | 'comma' | 'dot' | 'break'

export interface HexWord {
  /** Offsets into the tidied text: the whole word with its `0x`, if any. */
  readonly start: number
  readonly end: number
  /** Offset of its digits in `HexText.digits`, and how many there are. */
  readonly from: number
  readonly length: number
  /** It has `0x` before it. */
  readonly prefixed: boolean
  /** How the next word follows. */
  readonly link: Link
}

export interface HexText {
  /** Without escape sequences and invisible characters; lines end in `\n`. */
  readonly text: string
  readonly words: readonly HexWord[]
  /** The digits of all words, lower case, one after the other. */
  readonly digits: string
  /** Words that would have a digest's length but for one or two letters that are no digits (an O for a 0). */
  readonly smudged: readonly { readonly start: number; readonly value: string }[]
}

const SMUDGED_LENGTHS = { least: 30, most: 130 }
const MOST_SMUDGES = 2
/** Longer than an indented wrapped line needs. */
const LONGEST_GAP = 64

export function readHexWords(original: string): HexText {
  const text = tidied(original)
  const masked = text.replace(ALGORITHM_NAMES, (name) => '~'.repeat(name.length))
  const found: { start: number; end: number; digits: string }[] = []
  const smudged: { start: number; value: string }[] = []
  for (const { 0: word, index: start } of masked.matchAll(/[0-9A-Za-z]+/g)) {
    const digits = /^0[xX]./.test(word) ? word.slice(2) : word
    const odd = foreignLetters(digits)
    if (odd === 0) found.push({ start, end: start + word.length, digits: digits.toLowerCase() })
    else if (odd <= MOST_SMUDGES && isDigestLike(digits.length))
      smudged.push({ start, value: digits.toLowerCase() })
  }
  let from = 0
  const words = found.map(({ start, end, digits }, at): HexWord => {
    const next = found[at + 1]
    const { length } = digits
    const prefixed = end - start > length
    const word = { start, end, from, length, prefixed, link: linkOf(masked, end, next?.start) }
    from += length
    return word
  })
  return { text, words, digits: found.map(({ digits }) => digits).join(''), smudged }
}

/** How many characters are no hex digits; more than two count as three. */
function foreignLetters(word: string): number {
  let count = 0
  for (let at = 0; at < word.length && count <= MOST_SMUDGES; at += 1) {
    const code = word.charCodeAt(at) | 0x20
    const isDigit = (code >= 0x30 && code <= 0x39) || (code >= 0x61 && code <= 0x66)
    if (!isDigit) count += 1
  }
  return count
}

function isDigestLike(length: number): boolean {
  return length >= SMUDGED_LENGTHS.least && length <= SMUDGED_LENGTHS.most
}

const LINKS: readonly (readonly [RegExp, Link])[] = [
  [/^[ \t]{1,2}$/, 'space'],
  [/^:$/, 'colon'],
  [/^-$/, 'hyphen'],
  [/^,[ \t]?$/, 'comma'],
  [/^\.$/, 'dot'],
  [/^[ \t]*[-:,.\\]?[ \t]*\n[ \t]*$/, 'break'],
]

function linkOf(text: string, end: number, next: number | undefined): Link {
  if (next === undefined || next - end > LONGEST_GAP) return 'none'
  const gap = text.slice(end, next)
  return LINKS.find(([pattern]) => pattern.test(gap))?.[1] ?? 'none'
}
