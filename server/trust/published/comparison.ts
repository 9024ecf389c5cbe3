/**
 * How an image stands against what is published of it. All of it is compared, the strongest first; digests by one
 * algorithm that contradict each other are shown, never weighed.
 */
import { grouped } from '../../lists-by-key.ts'
import { ALGORITHM_FACTS, type Algorithm } from '../digests/algorithm.ts'

/** One published checksum of an image. */
export interface Claim {
  readonly algorithm: Algorithm
  /** Lower-case hex. */
  readonly digest: string
  /** Where it stands: file and line, or who pasted it. */
  readonly source: string
  /** The text that it stands in. */
  readonly text: string
  /** It stands beside no file's name. */
  readonly loose: boolean
  /** The algorithm is named, not only guessed by the length. */
  readonly said: boolean
}

export interface Comparison {
  readonly standing: 'matches' | 'differs' | 'none'
  /** The strongest that matched; or the strongest that did not. */
  readonly algorithm?: Algorithm
  readonly source?: string
  /** The digests that it does not have, each once, the strongest first. */
  readonly differing?: readonly Claim[]
  /** The strongest that it has all the same. */
  readonly agreeing?: Claim
  /** Digests by one algorithm that contradict each other: each with what it says, in words. */
  readonly conflict?: readonly string[]
  /** What a person should know beside it: a weak digest, a name that misses by "(1)". */
  readonly notes: readonly string[]
}

/** `claims`: the strongest first. `digestOf` gives the image's own digest; its errors pass through. */
export async function standingAgainst(
  claims: readonly Claim[],
  digestOf: (algorithm: Algorithm) => Promise<string> | string,
  notes: readonly string[],
): Promise<Comparison> {
  const { agree, differ, others } = await compared(claims, digestOf)
  const [wrong] = differ
  const [right] = agree
  const said = [...notes, ...others.map(elseNote)]
  if (wrong !== undefined) {
    const conflict = conflictOf(agree, differ)
    return {
      standing: 'differs',
      algorithm: wrong.algorithm,
      source: wrong.source,
      differing: eachDigestOnce(differ),
      ...(right !== undefined && { agreeing: right }),
      ...(conflict.length > 0 && { conflict }),
      notes: said,
    }
  }
  if (right === undefined) return { standing: 'none', notes }
  const { algorithm, source } = right
  return { standing: 'matches', algorithm, source, notes: [...said, ...weakNote(algorithm)] }
}

/** `others`: digests of something else, as it seems. */
export async function compared(
  claims: readonly Claim[],
  digestOf: (algorithm: Algorithm) => Promise<string> | string,
): Promise<Readonly<Record<'agree' | 'differ' | 'others', readonly Claim[]>>> {
  const own = new Map<Algorithm, string>()
  for (const { algorithm } of claims)
    if (!own.has(algorithm)) own.set(algorithm, (await digestOf(algorithm)).toLowerCase())
  const isOwn = ({ algorithm, digest }: Claim) => own.get(algorithm) === digest
  const agree = claims.filter(isOwn)
  const left = claims.filter((claim) => !isOwn(claim))
  const isOther = (claim: Claim) => isOfSomethingElse(claim, agree)
  return { agree, differ: left.filter((claim) => !isOther(claim)), others: left.filter(isOther) }
}

/**
 * A text of two versions holds two digests without a name, and a commit may have the length of a SHA-1: what stands
 * loose beside a digest that the image has speaks against it only when it is named as another algorithm's.
 */
function isOfSomethingElse({ text, loose, said, algorithm }: Claim, agree: readonly Claim[]): boolean {
  if (!loose) return false
  const beside = agree.filter((claim) => claim.loose && claim.text === text)
  return beside.length > 0 && (!said || beside.some((claim) => claim.algorithm === algorithm))
}

function elseNote({ algorithm, digest, source }: Claim): string {
  const { label } = ALGORITHM_FACTS[algorithm]
  return `${digest.slice(0, 12)}… (${source}) is not its ${label}: it stands without a file name, beside one that matches, and may be of another version.`
}

function eachDigestOnce(claims: readonly Claim[]): Claim[] {
  const seen = new Set<string>()
  return claims.filter(({ digest }) => !seen.has(digest) && seen.add(digest))
}

/** Of each side; a list made to hurt may name one file on every line. */
const CONFLICTS_TOLD = 4

function conflictOf(agree: readonly Claim[], differ: readonly Claim[]): string[] {
  const byAlgorithm = [...grouped([...agree, ...differ], ({ algorithm }) => algorithm).values()]
  const disputed = new Set(byAlgorithm.filter(contradictEachOther).flat())
  const say = ({ source, algorithm, digest }: Claim, verb: string) =>
    `${source}: ${ALGORITHM_FACTS[algorithm].label} ${digest.slice(0, 12)}… ${verb}`
  const right = agree.filter((claim) => disputed.has(claim)).map((claim) => say(claim, 'matches'))
  const wrong = differ.filter((claim) => disputed.has(claim)).map((claim) => say(claim, 'does not match'))
  const told = [...right.slice(0, CONFLICTS_TOLD), ...wrong.slice(0, CONFLICTS_TOLD)]
  const more = right.length + wrong.length - told.length
  return more > 0 ? [...told, `${more} more`] : told
}

function contradictEachOther(claims: readonly Claim[]): boolean {
  return claims.some(({ digest }) => digest !== claims[0]?.digest)
}

function weakNote(algorithm: Algorithm): string[] {
  const { guards, label } = ALGORITHM_FACTS[algorithm]
  if (guards === 'forgery') return []
  const source = { md5: ' (RFC 6151)', sha1: ' (RFC 6194)' }[algorithm as string] ?? ''
  return [`Published checksum is ${label} only: it guards against accident, not against forgery${source}.`]
}
