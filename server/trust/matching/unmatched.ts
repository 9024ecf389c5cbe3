/** What did not match: nearly a digest of an image, a digest of none, or nothing to speak of. */
import { algorithmOfDigits } from '../digests/algorithm.ts'
import type { HexPiece, HexText } from '../digests/hex-words.ts'
import { type DigestReading, hasOtherPurpose, isDigestLength, SHORT_DIGITS } from '../digests/readings.ts'
import { isNamedCrc, isNamedOtherwise } from './crc-label.ts'
import type { KnownDigest, KnownDigests } from './known-digests.ts'
import type { FindingAt } from './match-finding.ts'
import { nearWords, noMatchWords, notCountedWords, partWords } from './sentences.ts'

/** A tentative reading that comes to something speaks for the readings within it. */
export function othersIn(hex: HexText, rest: readonly DigestReading[], known: KnownDigests): FindingAt[] {
  const spoken = new Set<number>()
  const found: FindingAt[] = []
  for (const tentative of [true, false]) {
    for (const reading of rest) {
      if (reading.tentative !== tentative || spoken.has(reading.first)) continue
      const others = other(hex, reading, known)
      if (tentative && others.length > 0)
        for (let word = reading.first; word <= reading.last; word += 1) spoken.add(word)
      found.push(...others)
    }
  }
  return [...found, ...hex.smudged.flatMap((piece) => mistyped(piece, known))]
}

/** What a reading that matches nothing is: nearly something, a digest of no image, or nothing to speak of. */
function other(hex: HexText, reading: DigestReading, known: KnownDigests): FindingAt[] {
  const { value, start: at } = reading
  if (value.length < SHORT_DIGITS) return []
  const short = value.length === SHORT_DIGITS
  const alone = short && isOnlyThing(hex.text, reading)
  const counts = short
    ? isNamedCrc(hex.text, reading)
    : !hasOtherPurpose(hex, reading) && !isNamedOtherwise(hex.text, reading)
  const part = known.partOf(value)
  if (part !== undefined)
    return [nearly('cut short', reading, part.digest, counts, partWords(value.length, part))]
  // Addresses and dates that are no CRC-32 are not spoken of.
  if (short && !counts && !alone) return []
  const near = mistyped(reading, known)
  if (near.length > 0 || reading.tentative || !isDigestLength(value.length)) return near
  const words = counts ? noMatchWords(algorithmOfDigits(value.length) ?? '') : notCountedWords(alone)
  return [{ outcome: 'none', value, at, algorithm: null, image: null, nearest: null, counts, words }]
}

function mistyped(piece: HexPiece, known: KnownDigests): FindingAt[] {
  const near = known.near(piece.value)
  return near === undefined ? [] : [nearly('mistyped', piece, near.digest, true, nearWords(near))]
}

function nearly(
  outcome: 'cut short' | 'mistyped',
  { value, start: at }: HexPiece,
  digest: KnownDigest,
  counts: boolean,
  words: string,
): FindingAt {
  const nearest = { algorithm: digest.algorithm, image: digest.images[0] ?? '', value: digest.value }
  return { outcome, value, at, algorithm: null, image: null, nearest, counts, words }
}

function isOnlyThing(text: string, { start, end }: HexPiece): boolean {
  return !/[0-9A-Za-z]/.test(text.slice(0, start)) && !/[0-9A-Za-z]/.test(text.slice(end))
}
