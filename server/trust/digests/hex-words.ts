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
  for (const { 0: word, index: start } of masked.matchAll(/[0-9A-Za-z]+/g)) {
    const end = start + word.length
    const prefixed = /^0x./i.test(word)
    const value = word.slice(prefixed ? 2 : 0).toLowerCase()
    if (/^[0-9a-f]+$/.test(value)) {
      const last = words.at(-1)
      if (last !== undefined) last.link = linkOf(masked, last.end, start)
      words.push({ start, end, from, length: value.length, prefixed, link: 'none' })
      digits.push(value)
      from += value.length
    } else if (isSmudged(value)) smudged.push({ start, end, value, tentative: false })
  }
  return { text, words, digits: digits.join(''), smudged }
}

function isSmudged(value: string): boolean {
  if (value.length < SMUDGED_LENGTHS.least || value.length > SMUDGED_LENGTHS.most) return false
  return value.replace(/[0-9a-f]+/g, '').length <= MOST_SMUDGES
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
