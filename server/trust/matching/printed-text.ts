/**
 * What a device printed, compared with the images: every hex string that has a digest's length, in any dress, is
 * looked up among all digests of all images. What is not there is told apart from what is nearly there.
 *
 * CRC-32 has 8 digits only, and consoles print 8 digits for much else (addresses, dates, sizes). So an 8-digit
 * string that matches nothing is a failure only where a label or an arrow says that it is one.
 */
import { isFetchproofError } from '../../errors.ts'
import type { Catalogue } from '../../staging/catalogue.ts'
import type { Image } from '../../staging/image.ts'
import { ALGORITHM_FACTS, ALGORITHMS } from '../digests/algorithm.ts'
import { type HexText, readHexWords } from '../digests/hex-words.ts'
import {
  type DigestReading,
  digestReadings,
  digitsIn,
  lengthsIn,
  readingOf,
  SHORT_DIGITS,
  stretches,
} from '../digests/readings.ts'
import { tidied } from '../digests/text-decoding.ts'
import { createKnownDigests, type KnownDigest, type KnownDigests } from './known-digests.ts'
import type { FindingAt, Matched, MatchFinding } from './match-finding.ts'
import { matchWords } from './sentences.ts'
import { othersIn } from './unmatched.ts'

/** Longer texts are refused by those who take them in. */
export const MOST_MATCH_CHARACTERS = 256 * 1024
const MOST_FINDINGS = 500

/** What of a catalogue a text is compared with. */
export interface ComparedImages {
  readonly images: () => readonly Pick<Image, 'name' | 'state'>[]
  readonly digest: Catalogue['digest']
}

/** SHA-256 and CRC-32 are known with the image; the others are read only when a length asks for them. */
const KNOWN_ANYWAY = ['sha256', 'crc32']
/** What devices print (common practice); asked for when a text holds only a part of a digest. */
const OFTEN_PRINTED = ['md5', 'sha1', 'sha512']
/** From here on a part of a digest is worth reading the images for: serial numbers are shorter. */
const LEAST_PART_DIGITS = 16
const MOST_MISTAKES = 2

/**
 * Images that cannot be read at the moment are named, not waited for. `onProgress`: the share of the images whose
 * digests are there.
 */
export async function matchInCatalogue(
  text: string,
  catalogue: ComparedImages,
  onProgress?: (share: number) => void,
): Promise<Matched> {
  const hex = readHexWords(tidied(text))
  const lengths = lengthsIn(hex, digestReadings(hex))
  const digests = createDigestSource(catalogue, onProgress)
  await digests.add([...KNOWN_ANYWAY, ...algorithmsFor(lengths)])
  const matches = matchesIn(hex, lengths, digests.known)
  const taken = new Set(matches.flatMap(({ first, last }) => range(first, last)))
  const rest = digestReadings(hex, taken)
  let others = othersIn(hex, rest, digests.known)
  const explained = new Set(others.flatMap(({ value, outcome }) => (outcome === 'none' ? [] : [value])))
  if (rest.some(({ value }) => value.length >= LEAST_PART_DIGITS && !explained.has(value))) {
    await digests.add(OFTEN_PRINTED)
    others = othersIn(hex, rest, digests.known)
  }
  const held = new Set(digests.images.flatMap(({ name, state }) => (state === 'held' ? [name] : [])))
  const matched = matches.map((match) => matchFound(match, held))
  const found = [...matched, ...others].sort((a, b) => a.at - b.at)
  return { ...verdict(hex, found), notCompared: digests.notCompared() }
}

type Match = DigestReading & { readonly digest: KnownDigest }

function createDigestSource(catalogue: ComparedImages, onProgress: ((share: number) => void) | undefined) {
  const images = catalogue.images()
  const known = createKnownDigests()
  const unread = new Set<string>()
  const asked = new Set<string>()

  /** All of them, or none when the image cannot be read. */
  async function read(name: string, algorithms: readonly string[]): Promise<void> {
    const values: string[] = []
    try {
      for (const algorithm of algorithms) values.push(await catalogue.digest(name, algorithm))
    } catch (error) {
      if (!isFetchproofError(error)) throw error
      unread.add(name)
      return
    }
    for (const [at, value] of values.entries()) known.add(algorithms[at] ?? '', value, name)
  }

  return {
    images,
    known,
    async add(algorithms: readonly string[]): Promise<void> {
      const fresh = [...new Set(algorithms)].filter((algorithm) => !asked.has(algorithm))
      if (fresh.length === 0) return
      for (const algorithm of fresh) asked.add(algorithm)
      for (const [at, { name }] of images.entries()) {
        await read(name, fresh)
        onProgress?.((at + 1) / images.length)
      }
    },
    notCompared: (): readonly string[] => [...unread],
  }
}

/** Those whose digests have one of these lengths, or nearly: a digit may be missing or doubled. */
function algorithmsFor(lengths: ReadonlySet<number>): string[] {
  return ALGORITHMS.filter((algorithm) => {
    const { digits } = ALGORITHM_FACTS[algorithm]
    return range(digits - MOST_MISTAKES, digits + MOST_MISTAKES).some((length) => lengths.has(length))
  })
}

/** The longest first, so that the words of a digest in groups are not taken for a shorter one each. */
function matchesIn(hex: HexText, lengths: ReadonlySet<number>, known: KnownDigests): Match[] {
  const found: Match[] = []
  for (const stretch of stretches(hex, lengths)) {
    const digest = known.exact(digitsIn(hex, stretch))
    if (digest !== undefined) found.push({ ...readingOf(hex, stretch), digest })
  }
  for (const reading of digestReadings(hex)) {
    // A CRC-32 in groups is looked up only where it stands alone.
    const digest = reading.value.length === SHORT_DIGITS ? known.exact(reading.value) : undefined
    if (digest !== undefined && reading.last > reading.first) found.push({ ...reading, digest })
  }
  found.sort((a, b) => b.digest.value.length - a.digest.value.length || a.first - b.first)
  const taken = new Set<number>()
  return found.filter(({ first, last }) => {
    const words = range(first, last)
    if (words.some((word) => taken.has(word))) return false
    for (const word of words) taken.add(word)
    return true
  })
}

function matchFound({ start, digest }: Match, held: ReadonlySet<string>): FindingAt {
  const { algorithm, value, images } = digest
  return {
    outcome: 'match',
    value,
    at: start,
    algorithm,
    image: images[0] ?? null,
    nearest: null,
    counts: true,
    words: matchWords(digest, held),
  }
}

function verdict(hex: HexText, found: readonly FindingAt[]): Omit<Matched, 'notCompared'> {
  const once = new Map<string, FindingAt>()
  for (const each of found) {
    const known = once.get(each.value)
    if (known === undefined) once.set(each.value, each)
    else if (each.counts && !known.counts) once.set(each.value, { ...each, at: known.at })
  }
  const all = [...once.values()]
  const findings = withLines(hex.text, all.slice(0, MOST_FINDINGS))
  const matches = all.filter(({ outcome }) => outcome === 'match').length
  const others = all.filter(({ outcome, counts }) => outcome !== 'match' && counts).length
  const matched = matches > 0 && others === 0
  return { matched, words: verdictWords(matches, others), findings, more: all.length - findings.length }
}

function verdictWords(matches: number, others: number): string {
  if (matches === 0 && others === 0) {
    return 'The text holds no digest of an image here. Paste the lines in which the device prints the checksum of the file it stored.'
  }
  if (others === 0) return matches === 1 ? 'It matches.' : `All ${matches} digests match.`
  if (matches === 0) return others === 1 ? 'It does not match.' : `None of the ${others} digests matches.`
  return `${matches} of ${matches + others} digests match.`
}

/** Line numbers in one pass; `found` is in the order of the text. */
function withLines(text: string, found: readonly FindingAt[]): MatchFinding[] {
  let line = 1
  let seen = 0
  return found.map(({ at, ...finding }) => {
    for (let next = text.indexOf('\n', seen); next !== -1 && next < at; next = text.indexOf('\n', seen)) {
      line += 1
      seen = next + 1
    }
    return { ...finding, line }
  })
}

function range(first: number, last: number): number[] {
  return Array.from({ length: last - first + 1 }, (_, at) => first + at)
}
