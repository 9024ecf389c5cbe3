/**
 * Comparing the versions that devices show, segment by segment. There is no common rule among makers, so that
 * an order is claimed only where the ways of counting in use agree; everything else is "cannot tell".
 *
 * Where this leaves dpkg's order (deb-version(7)) and SemVer (semver.org, 2.0.0), by common practice of devices:
 * - `12.4(3)` then `12.4(3a)`: one letter after digits that ends its segment is a rebuild, later than none.
 * - `21.4R1`, `21.4R3-S2`, `15.2(7)E3`: letters followed by digits name a kind (release, service release, train).
 *   Only numbers of one kind are compared; two kinds cannot be told apart.
 * - `4.2.1-b117`, `4.2.1-b118`: build numbers are compared; a build against none cannot be told.
 * - `2.0-rc1` is earlier than `2.0` (as in SemVer; dpkg takes it for later). `2.0-3` against `2.0` cannot be told:
 *   dpkg takes it for a later revision, SemVer for an earlier pre-release.
 * - `1.2` and `1.2.0` are the same, and so are `17.09.04` and `17.9.4`. Case and a leading `v` or word do not count.
 */

export type VersionOrder = 'newer' | 'older' | 'same' | 'cannot tell'

/** Earlier than the release itself, in this order (as SemVer §11 orders these words). */
const PRE_RELEASE = new Map([
  ['dev', 0],
  ['alpha', 1],
  ['beta', 2],
  ['pre', 3],
  ['preview', 3],
  ['rc', 4],
])
/** What makers add to a release that is later than the release alone (common practice). */
const LATER_THAN_NONE: ReadonlySet<string> = new Set(
  'r s sp p patch hotfix hf fix u update service'.split(' '),
)
/** Words before a version that say no more than "a version follows". */
const LEADING_WORDS = new Set(
  'v ver version rel release rev r fw firmware sw software build image'.split(' '),
)
const LONGEST = 200

/** A run of digits or of letters, with what stood before it. */
interface Part {
  readonly text: string
  readonly number: boolean
  /** Characters between the part before and this one; '' inside a segment. */
  readonly before: string
  /** The letters end their segment: no digits follow directly. */
  readonly endsSegment: boolean
}

/** How `after` stands to `before`: "newer" when `after` is the newer one. */
export function compareVersions(before: string, after: string): VersionOrder {
  const a = before.trim().toLowerCase()
  const b = after.trim().toLowerCase()
  if (a === '' || b === '') return 'cannot tell'
  if (a === b) return 'same'
  if (a.length > LONGEST || b.length > LONGEST) return 'cannot tell'
  const [one, other] = [partsOf(a), partsOf(b)]
  if (one.parts.length === 0 || other.parts.length === 0) return 'cannot tell'
  if (one.label !== '' && other.label !== '' && one.label !== other.label) return 'cannot tell'
  for (let at = 0; at < Math.max(one.parts.length, other.parts.length); at += 1) {
    const order = comparePart(one.parts[at], other.parts[at])
    if (order !== 'same') return order
  }
  return 'same'
}

function comparePart(a: Part | undefined, b: Part | undefined): VersionOrder {
  if (a === undefined) return b === undefined ? 'same' : againstNone(b)
  if (b === undefined) return opposite(againstNone(a))
  if (a.number && b.number) return compareNumbers(a, b)
  if (!a.number && !b.number) return compareWords(a, b)
  return a.number ? wordAgainstNumber(b) : opposite(wordAgainstNumber(a))
}

/** Numbers behind different separators count on in different ways: only their being equal says something. */
function compareNumbers(a: Part, b: Part): VersionOrder {
  const [x, y] = [BigInt(a.text), BigInt(b.text)]
  if (x === y) return 'same'
  if (a.before !== b.before) return 'cannot tell'
  return x < y ? 'newer' : 'older'
}

function compareWords(a: Part, b: Part): VersionOrder {
  if (a.text === b.text) return 'same'
  const [rankA, rankB] = [PRE_RELEASE.get(a.text), PRE_RELEASE.get(b.text)]
  if (rankA !== undefined && rankB !== undefined) {
    return rankA === rankB ? 'cannot tell' : rankA < rankB ? 'newer' : 'older'
  }
  // One is a pre-release of what the other goes on from.
  if (rankA !== undefined && LATER_THAN_NONE.has(b.text)) return 'newer'
  if (rankB !== undefined && LATER_THAN_NONE.has(a.text)) return 'older'
  if (isRebuildLetter(a) && isRebuildLetter(b)) return a.text < b.text ? 'newer' : 'older'
  return 'cannot tell'
}

/** How a version that goes on with `part` stands to the same one without it. */
function againstNone(part: Part): VersionOrder {
  if (part.number) {
    if (part.before !== '.' && part.before !== '(') return 'cannot tell'
    return BigInt(part.text) === 0n ? 'same' : 'newer'
  }
  if (PRE_RELEASE.has(part.text) || part.before.startsWith('~')) return 'older'
  if (isRebuildLetter(part)) return 'newer'
  return LATER_THAN_NONE.has(part.text) && part.before !== '+' ? 'newer' : 'cannot tell'
}

/** How one that goes on with the number stands to one that goes on with `word` in its place. */
function wordAgainstNumber(word: Part): VersionOrder {
  return PRE_RELEASE.has(word.text) ? 'older' : 'cannot tell'
}

function isRebuildLetter(part: Part): boolean {
  return part.text.length === 1 && part.before === '' && part.endsSegment
}

function opposite(order: VersionOrder): VersionOrder {
  if (order === 'newer') return 'older'
  return order === 'older' ? 'newer' : order
}

/**
 * The letters before the first digit (without words that only announce a version) and the parts from there on; none
 * without a digit.
 */
function partsOf(text: string): { label: string; parts: Part[] } {
  const firstDigit = text.search(/[0-9]/)
  const head = firstDigit === -1 ? text : text.slice(0, firstDigit)
  const label = head
    .split(/[^a-z]+/)
    .filter((word) => word !== '' && !LEADING_WORDS.has(word))
    .join(' ')
  const parts: Part[] = []
  const pattern = /([^0-9a-z]*)([0-9]+|[a-z]+)/g
  const body = text.slice(head.length)
  for (const match of body.matchAll(pattern)) {
    const [whole, between = '', run = ''] = match
    parts.push({
      text: run,
      number: /^[0-9]/.test(run),
      // A bracket that closes says nothing by itself: `(7)e3` and `(7)-e3` differ only in the hyphen.
      before: between.replace(/\)/g, ''),
      endsSegment: !/^[0-9]/.test(body.slice(match.index + whole.length)),
    })
  }
  return { label, parts }
}
