/**
 * The digests of all images, to be found by their value, by a beginning or an end, or by a value with one or two
 * mistakes. All three cost the same however many images there are.
 */
import { addTo } from '../../lists-by-key.ts'
import { SHORT_DIGITS } from '../digests/readings.ts'

export interface KnownDigest {
  readonly algorithm: string
  /** Lower-case hex. */
  readonly value: string
  /** Names of all images that have it: copies of the same bytes share every digest. */
  readonly images: readonly string[]
}

export interface Nearness {
  readonly digest: KnownDigest
  /** Digits that are wrong, missing or too many: 1 or 2. */
  readonly mistakes: number
}

export type KnownDigests = ReturnType<typeof createKnownDigests>

const MOST_MISTAKES = 2
/** With two mistakes one part of three is without any (pigeonhole), shifted by two digits at most. */
const PARTS = 3

export function createKnownDigests() {
  const byValue = new Map<string, { algorithm: string; value: string; images: string[] }>()
  const byPart = new Map<string, KnownDigest[]>()
  const byEnds = new Map<string, KnownDigest[]>()

  return {
    add(algorithm: string, value: string, image: string): void {
      const known = byValue.get(value)
      if (known !== undefined) {
        if (!known.images.includes(image)) known.images.push(image)
        return
      }
      const digest = { algorithm, value, images: [image] }
      byValue.set(value, digest)
      for (const [at, part] of partsOf(value)) addTo(byPart, `${value.length} ${at} ${part}`, digest)
      if (value.length === SHORT_DIGITS) return
      addTo(byEnds, `begins ${value.slice(0, SHORT_DIGITS)}`, digest)
      addTo(byEnds, `ends ${value.slice(-SHORT_DIGITS)}`, digest)
    },
    exact: (value: string): KnownDigest | undefined => byValue.get(value),
    /** Of which digest it is the beginning or the end; `value` has at least 8 digits. */
    partOf(value: string): { readonly digest: KnownDigest; readonly end: 'begins' | 'ends' } | undefined {
      const begun = byEnds.get(`begins ${value.slice(0, SHORT_DIGITS)}`)
      const begins = begun?.find(
        (digest) => digest.value.length > value.length && digest.value.startsWith(value),
      )
      if (begins !== undefined) return { digest: begins, end: 'begins' }
      const ended = byEnds.get(`ends ${value.slice(-SHORT_DIGITS)}`)
      const ends = ended?.find((digest) => digest.value.length > value.length && digest.value.endsWith(value))
      return ends === undefined ? undefined : { digest: ends, end: 'ends' }
    },
    /** The one with the fewest mistakes, two at most; one at most in 8 digits, which are soon alike by chance. */
    near(value: string): Nearness | undefined {
      const most = value.length === SHORT_DIGITS ? 1 : MOST_MISTAKES
      let nearest: Nearness | undefined
      for (const digest of alike(byPart, value)) {
        const mistakes = mistakesBetween(value, digest.value, (nearest?.mistakes ?? most + 1) - 1)
        if (mistakes !== undefined) nearest = { digest, mistakes }
      }
      return nearest
    },
  }
}

function* partsOf(value: string): Generator<readonly [number, string]> {
  const size = Math.floor(value.length / PARTS)
  for (let at = 0; at < PARTS; at += 1) yield [at, value.slice(at * size, (at + 1) * size)]
}

function alike(byPart: ReadonlyMap<string, readonly KnownDigest[]>, value: string): ReadonlySet<KnownDigest> {
  const found = new Set<KnownDigest>()
  for (let length = value.length - MOST_MISTAKES; length <= value.length + MOST_MISTAKES; length += 1) {
    if (length % SHORT_DIGITS !== 0) continue
    const size = Math.floor(length / PARTS)
    for (let at = 0; at < PARTS; at += 1) {
      for (let shift = -MOST_MISTAKES; shift <= MOST_MISTAKES; shift += 1) {
        const from = at * size + shift
        if (from < 0) continue
        const there = byPart.get(`${length} ${at} ${value.slice(from, from + size)}`)
        for (const digest of there ?? []) found.add(digest)
      }
    }
  }
  return found
}

/** Replaced, missing and additional characters, `most` (0 to 2) or fewer; else undefined. */
function mistakesBetween(a: string, b: string, most: number): number | undefined {
  for (let allowed = 0; allowed <= most; allowed += 1) if (isWithin(a, b, 0, 0, allowed)) return allowed
  return undefined
}

function isWithin(a: string, b: string, fromA: number, fromB: number, allowed: number): boolean {
  let atA = fromA
  let atB = fromB
  while (atA < a.length && atB < b.length && a[atA] === b[atB]) {
    atA += 1
    atB += 1
  }
  const leftA = a.length - atA
  const leftB = b.length - atB
  if (leftA === 0 || leftB === 0) return leftA + leftB <= allowed
  if (allowed === 0) return false
  return (
    isWithin(a, b, atA + 1, atB + 1, allowed - 1) ||
    isWithin(a, b, atA + 1, atB, allowed - 1) ||
    isWithin(a, b, atA, atB + 1, allowed - 1)
  )
}
