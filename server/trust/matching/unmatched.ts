/** What did not match: nearly a digest of an image, a digest of none, or nothing to speak of. */
import { algorithmOfDigits } from '../digests/algorithm.ts'
import type { HexText } from '../digests/hex-words.ts'
import {
  type DigestReading,
  hasOtherPurpose,
  isDigestLength,
  SHORT_DIGITS,
  type Stretch,
} from '../digests/readings.ts'
import { isNamedCrc, isNamedOtherwise } from './crc-label.ts'
import type { FindingAt, MatchFinding } from './finding.ts'
import type { KnownDigest, KnownDigests } from './known-digests.ts'
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
  return [...found, ...smudgedIn(hex, known)]
}

/** What a reading that matches nothing is: nearly something, a digest of no image, or nothing to speak of. */
function other(hex: HexText, reading: DigestReading, known: KnownDigests): FindingAt[] {
  const { value, first } = reading
  if (value.length < SHORT_DIGITS) return []
  const at = hex.words[first]?.start ?? 0
  const short = value.length === SHORT_DIGITS
  const alone = short && isOnlyThing(hex, reading)
  const counts = short
    ? isNamedCrc(hex, reading)
    : !hasOtherPurpose(hex, reading) && !isNamedOtherwise(hex, reading)
  const part = known.partOf(value)
  if (part !== undefined) {
    const words = partWords(value.length, part)
    return [{ outcome: 'cut short', value, at, ...nearly(part.digest), counts, words }]
  }
  // Addresses and dates that are no CRC-32 are not spoken of.
  if (short && !counts && !alone) return []
  const near = known.near(value)
  if (near !== undefined) {
    return [{ outcome: 'mistyped', value, at, ...nearly(near.digest), counts: true, words: nearWords(near) }]
  }
  if (reading.tentative || !isDigestLength(value.length)) return []
  const words = counts ? noMatchWords(algorithmOfDigits(value.length) ?? '') : notCountedWords(alone)
  return [{ outcome: 'none', value, at, algorithm: null, image: null, nearest: null, counts, words }]
}

function nearly({
  algorithm,
  images,
  value,
}: KnownDigest): Pick<MatchFinding, 'algorithm' | 'image' | 'nearest'> {
  return { algorithm: null, image: null, nearest: { algorithm, image: images[0] ?? '', value } }
}

function smudgedIn(hex: HexText, known: KnownDigests): FindingAt[] {
  return hex.smudged.flatMap(({ start, value }) => {
    const near = known.near(value)
    if (near === undefined) return []
    const words = nearWords(near)
    return [{ outcome: 'mistyped' as const, value, at: start, ...nearly(near.digest), counts: true, words }]
  })
}

function isOnlyThing({ text, words }: HexText, { first, last }: Stretch): boolean {
  const before = text.slice(0, words[first]?.start ?? 0)
  const after = text.slice(words[last]?.end ?? 0)
  return !/[0-9A-Za-z]/.test(before) && !/[0-9A-Za-z]/.test(after)
}
