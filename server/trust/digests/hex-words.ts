/**
 * The hex words of a text as a console gives it, and how each stands to the next: what people and devices put
 * between the digits of a digest is one of a few separators, or a line break where the console was too narrow.
 */
import { ALGORITHM_NAMES } from './labels.ts'

/** Between two words of one digest. Not more than one kind is used in one digest, line breaks aside. */
export type Link = 'none' | 'space' | 'colon' | 'hyphen' | 'comma' | 'dot' | 'break'

export interface HexWord {
  /** Offsets into the text: the whole word with its `0x`, if any. */
  readonly start: number
  readonly end: number
  /** Offset of its digits in `HexText.digits`, and how many there are. */
  readonly from: number
  readonly length: number
  /** It has `0x` before it. */
  readonly prefixed: boolean
  /** How the next word follows. */
  link: Link
}

/** What may be a digest. */
export interface HexPiece {
  /** Offsets into the text. */
  readonly start: number
  readonly end: number
  /** Lower case. */
  readonly value: string
  /** Wrapped lines that are whole by themselves: joined only where a label says so, or when it comes near a digest. */
  readonly tentative: boolean
}

export interface HexText {
  readonly text: string
  readonly words: readonly HexWord[]
  /** The digits of all words, lower case, one after the other. */
  readonly digits: string
  /** Words that would have a digest's length but for one or two letters that are no digits (an O for a 0). */
  readonly smudged: readonly HexPiece[]
}

const SMUDGED_LENGTHS = { least: 30, most: 130 }
const MOST_SMUDGES = 2
/** Longer than an indented wrapped line needs. */
const LONGEST_GAP = 64

/** `text`: tidied. */
export function readHexWords(text: string): HexText {
  const masked = text.replace(ALGORITHM_NAMES, (name) => '~'.repeat(name.length))
  const words: HexWord[] = []
  const digits: string[] = []
  const smudged: HexPiece[] = []
  let from = 0
  for (let start = 0, end = 0; start < masked.length; start = end + 1) {
    end = endOfWord(masked, start)
    if (end === start) continue
    const prefixed = end - start > 2 && masked[start] === '0' && /x/i.test(masked[start + 1] ?? '')
    const first = prefixed ? start + 2 : start
    const odd = foreignLetters(masked, first, end)
    const length = end - first
    if (odd === 0) {
      const last = words.at(-1)
      if (last !== undefined) last.link = linkOf(masked, last.end, start)
      words.push({ start, end, from, length, prefixed, link: 'none' })
      digits.push(masked.slice(first, end).toLowerCase())
      from += length
    } else if (odd <= MOST_SMUDGES && isDigestLike(length))
      smudged.push({ start, end, value: masked.slice(first, end).toLowerCase(), tentative: false })
  }
  return { text, words, digits: digits.join(''), smudged }
}

function endOfWord(text: string, start: number): number {
  let end = start
  while (isLetterOrDigit(text.charCodeAt(end))) end += 1
  return end
}

/** ASCII; of what is no code (the text's end) false. */
function isLetterOrDigit(code: number): boolean {
  const letter = code | 0x20
  return (code >= 0x30 && code <= 0x39) || (letter >= 0x61 && letter <= 0x7a)
}

/** How many characters are no hex digits; more than two count as three. */
function foreignLetters(text: string, start: number, end: number): number {
  let count = 0
  for (let at = start; at < end && count <= MOST_SMUDGES; at += 1)
    if ((text.charCodeAt(at) | 0x20) > 0x66) count += 1
  return count
}

function isDigestLike(length: number): boolean {
  return length >= SMUDGED_LENGTHS.least && length <= SMUDGED_LENGTHS.most
}

const LINKS: ReadonlyMap<string, Link> = new Map([
  ...[' ', '\t', '  ', ' \t', '\t ', '\t\t'].map((gap) => [gap, 'space'] as const),
  ...[',', ', ', ',\t'].map((gap) => [gap, 'comma'] as const),
  [':', 'colon'],
  ['-', 'hyphen'],
  ['.', 'dot'],
])
const BREAK = /^[ \t]*[-:,.\\]?[ \t]*\n[ \t]*$/

function linkOf(text: string, end: number, next: number): Link {
  if (next - end > LONGEST_GAP) return 'none'
  const gap = text.slice(end, next)
  return LINKS.get(gap) ?? (BREAK.test(gap) ? 'break' : 'none')
}
