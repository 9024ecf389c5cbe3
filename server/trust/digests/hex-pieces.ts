/** What may be stated as a digest in a text: the plausible readings of its hex words that are no part of anything else. */
import { ALGORITHM_FACTS, type Algorithm } from './algorithm.ts'
import { type HexPiece, type HexText, readHexWords } from './hex-words.ts'
import { labelIn } from './labels.ts'
import {
  type DigestReading,
  digestReadings,
  hasOtherPurpose,
  isDigestLength,
  readingOf,
  SHORT_DIGITS,
} from './readings.ts'

/** A number of so many hex digits is nothing else than a digest that lost or gained some. */
const LEAST_ODD_DIGITS = 28
const LONGEST_GROUP = 16

/** `text`: tidied. In their order; a tentative one before its parts. */
export function piecesIn(text: string): readonly HexPiece[] {
  const hex = readHexWords(text)
  const found: HexPiece[] = digestReadings(hex)
    .flatMap((reading) => {
      if (isStated(hex, reading)) return [reading]
      return reading.tentative ? [] : wordsOf(hex, reading)
    })
    .filter(({ start, end }) => !isInName(text, start, end))
  if (hex.smudged.length === 0) return found
  return [...found, ...hex.smudged].sort((a, b) => a.start - b.start)
}

function isStated(hex: HexText, reading: DigestReading): boolean {
  const { value, first, last, tentative } = reading
  if (tentative) return isDigestLength(value.length)
  if (first === last) return true
  if (value.length < LEAST_ODD_DIGITS || hasOtherPurpose(hex, reading)) return false
  const word = hex.words[first]
  if (word === undefined || word.link === 'break') return true
  // Columns of numbers have blanks and commas between them too.
  const groups = word.link === 'comma' ? word.prefixed : word.link !== 'dot' || word.length === 4
  return groups && word.length % 2 === 0 && word.length <= LONGEST_GROUP && /[a-f]/.test(value)
}

/** Each for itself. */
function wordsOf(hex: HexText, { first, last }: DigestReading): DigestReading[] {
  const words = Array.from({ length: last - first + 1 }, (_, at) => first + at)
  return words.map((word) => readingOf(hex, { first: word, last: word }))
}

const ALGORITHM_END = /(?:sha|md|crc)[-_ ]?\d*$/i

/** `fw-d41d8cd9….bin`, `/objects/d41d8cd9…`: a file or an address may be named by a digest of whatever kind. */
function isInName(text: string, start: number, end: number): boolean {
  if (/^(?:[._-]+\w|[/\\])/.test(text.slice(end, end + 4))) return true
  const before = text.slice(Math.max(0, start - 12), start)
  if (/[/\\]$/.test(before)) return !/(?:^|\n)[ \t]*\\$/.test(before)
  return /\w[._-]+$/.test(before) && !ALGORITHM_END.test(before.replace(/[._-]+$/, ''))
}

/**
 * Those of a line that count: whole digests, what nearly is one, eight digits and lines taken together only where
 * something says so. `inForce`: the algorithm that a heading or the text's own name gives; `above`: the line above.
 */
export function choosePieces(
  line: string,
  pieces: readonly HexPiece[],
  inForce: Algorithm | undefined,
  above: string,
): readonly HexPiece[] {
  if (pieces.length === 0) return pieces
  const mayBeCrc = inForce === 'crc32' || /crc/i.test(line) || /(?:^|[|\t,;"])\W*crc/i.test(above)
  const crc = mayBeCrc ? pieces.findLast(({ value }) => value.length === SHORT_DIGITS) : undefined
  const chosen: HexPiece[] = []
  for (const piece of pieces) {
    const { start, end, value, tentative } = piece
    if (start < (chosen.at(-1)?.end ?? 0)) continue
    const near = line.slice(Math.max(0, start - 32), start).replace(/[^0-9A-Za-z]+$/, '')
    const label = labelIn(near)
    const isNoted = near.endsWith(label?.words ?? '\n') || /^(?:\.{2}|\u2026)/.test(line.slice(end, end + 2))
    const digits = ALGORITHM_FACTS[label?.algorithm ?? inForce ?? 'crc32'].digits
    const counts = tentative
      ? digits === value.length
      : value.length >= LEAST_ODD_DIGITS || piece === crc || (isNoted && value.length > SHORT_DIGITS)
    if (counts) chosen.push(piece)
  }
  return chosen
}
