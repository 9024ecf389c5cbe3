/**
 * The book of published checksums: what checksum files and pasted text say of each image, and how an image
 * stands against it. All that is published is compared, the strongest first; sources that contradict each
 * other are shown, never weighed.
 */
import { setImmediate } from 'node:timers/promises'
import type { Algorithm } from '../digests/algorithm.ts'
import { ALGORITHM_FACTS, ALGORITHMS } from '../digests/algorithm.ts'
import type { ChecksumFile, Claim, KnownNames } from './claims.ts'
import { checksumFileInTurns, entriesFor, knownNames, namesKnownBase, namesKnownFile } from './claims.ts'
import { comparable, folderOf, withoutBrowserMark } from './match-names.ts'
import { checksumFileName } from './names.ts'
import type { ChecksumProblem } from './parse.ts'

export interface Standing {
  readonly standing: 'matches' | 'differs' | 'none'
  /** The strongest that matched; or the strongest that did not. */
  readonly algorithm?: Algorithm
  readonly source?: string
  /** The digests that it does not have, each once, the strongest first. */
  readonly differing?: readonly Claim[]
  /** Sources that contradict each other: each with what it says, in words. */
  readonly conflict?: readonly string[]
  /** What a person should know beside it: a weak digest, a name that misses by "(1)". */
  readonly notes: readonly string[]
}

/** An entry that names a file which is not there, or a line or file that could not be used. */
export interface Unmatched extends ChecksumProblem {
  readonly file: string
  /** The name that the entry gives, when that is what is not there. */
  readonly name?: string
}

export interface PublishedBook {
  /** Takes in a checksum file anew. Returns what in it could not be used. Ignores names that are none. */
  set(fileName: string, content: Uint8Array | string): readonly ChecksumProblem[]
  /** The same, letting others have their turn meanwhile; `remove` or a later call for the file overtakes it. */
  setInTurns(fileName: string, content: Uint8Array | string): Promise<void>
  remove(fileName: string): void
  /** Takes what a person pasted as published for `imageName`, in the place of what was pasted before. */
  paste(imageName: string, claims: readonly Claim[]): void
  /** Every published checksum of the image, strongest first. Changes when the image is to be judged anew. */
  claimsOf(imageName: string): readonly Claim[]
  /** The digests that `standingOf` will ask for. */
  needs(imageName: string): readonly Algorithm[]
  /** How the image stands. `digestOf` gives its digest in lower-case hex; its errors pass through. */
  standingOf(
    imageName: string,
    digestOf: (algorithm: Algorithm) => Promise<string> | string,
  ): Promise<Standing>
  /** For people; never a reason to hold anything. */
  unmatched(): readonly Unmatched[]
}

/**
 * `imageNames` gives the names now in the staging folder (paths, `/` between folders): they decide what a base
 * name in a list can mean. The same collection object is taken to hold the same names: give a new one when
 * they change.
 */
export function createPublishedBook(deps: { readonly imageNames: () => Iterable<string> }): PublishedBook {
  const files = new Map<string, ChecksumFile>()
  const pasted = new Map<string, readonly Claim[]>()
  const beingRead = new Map<string, Generator>()

  function gather(imageName: string): { claims: Claim[]; ambiguous: string[] } {
    const claims: Claim[] = [...(pasted.get(comparable(imageName)) ?? [])]
    const ambiguous: string[] = []
    for (const file of files.values()) {
      const found = entriesFor(file, imageName, known())
      if (found.ambiguous) ambiguous.push(file.path)
      for (const { algorithm, digest, line } of found.entries) {
        claims.push({ algorithm, digest, source: `${file.path}, line ${line}` })
      }
    }
    claims.sort((a, b) => ALGORITHMS.indexOf(a.algorithm) - ALGORITHMS.indexOf(b.algorithm))
    return { claims, ambiguous }
  }

  // Judging a whole folder asks once an image: the same collection of names is indexed once.
  let lastNames: Iterable<string> | undefined
  let lastKnown = knownNames([])
  function known(): KnownNames {
    const names = deps.imageNames()
    if (names === lastNames) return lastKnown
    lastKnown = knownNames(names)
    lastNames = names
    return lastKnown
  }
  const claimsOf = (imageName: string) => gather(imageName).claims

  return {
    set(fileName, content) {
      const name = checksumFileName(fileName)
      if (name === undefined) return []
      const reading = checksumFileInTurns(fileName, name, content)
      let next = reading.next()
      while (next.done !== true) next = reading.next()
      beingRead.delete(fileName)
      files.set(fileName, next.value)
      return next.value.parsed.problems
    },
    async setInTurns(fileName, content) {
      const name = checksumFileName(fileName)
      if (name === undefined) return
      const reading = checksumFileInTurns(fileName, name, content)
      beingRead.set(fileName, reading)
      for (;;) {
        const next = reading.next()
        if (beingRead.get(fileName) !== reading) return
        if (next.done === true) {
          beingRead.delete(fileName)
          files.set(fileName, next.value)
          return
        }
        await setImmediate()
      }
    },
    remove(fileName) {
      beingRead.delete(fileName)
      files.delete(fileName)
    },
    paste: (imageName, claims) => void pasted.set(comparable(imageName), claims),
    claimsOf,
    needs: (imageName) => [...new Set(claimsOf(imageName).map((claim) => claim.algorithm))],
    async standingOf(imageName, digestOf) {
      const { claims, ambiguous } = gather(imageName)
      const notes = ambiguous.map((path) => ambiguousNote(path, imageName))
      if (claims.length > 0) return compare(claims, digestOf, notes)
      const plain = withoutBrowserMark(imageName)
      const [meant] = plain === undefined ? [] : gather(plain).claims
      if (meant !== undefined) notes.push(browserMarkNote(imageName, plain ?? '', meant.source))
      return { standing: 'none', notes }
    },
    unmatched: () => [...files.values()].flatMap((file) => unmatchedIn(file, known())),
  }
}

async function compare(
  claims: readonly Claim[],
  digestOf: (algorithm: Algorithm) => Promise<string> | string,
  notes: readonly string[],
): Promise<Standing> {
  const agree: Claim[] = []
  const differ: Claim[] = []
  for (const claim of claims) {
    const own = await digestOf(claim.algorithm)
    if (own.toLowerCase() === claim.digest) agree.push(claim)
    else differ.push(claim)
  }
  const [wrong] = differ
  const [right] = agree
  if (wrong !== undefined) {
    const conflict = conflictOf(agree, differ)
    const { algorithm, source } = wrong
    const differing = eachDigestOnce(differ)
    const standing = { standing: 'differs', algorithm, source, differing, notes } as const
    return conflict === undefined ? standing : { ...standing, conflict }
  }
  if (right === undefined) return { standing: 'none', notes }
  const weak = weakNote(right.algorithm)
  return {
    standing: 'matches',
    algorithm: right.algorithm,
    source: right.source,
    notes: weak === undefined ? notes : [...notes, weak],
  }
}

function eachDigestOnce(claims: readonly Claim[]): Claim[] {
  const seen = new Set<string>()
  return claims.filter(({ digest }) => !seen.has(digest) && seen.add(digest))
}

/** Of each side; a list made to hurt may name one file on every line. */
const CONFLICTS_TOLD = 4

/** Sources contradict each other when some match and some do not, or when those that do not say different things. */
function conflictOf(agree: readonly Claim[], differ: readonly Claim[]): string[] | undefined {
  const values = new Map<Algorithm, Set<string>>()
  for (const { algorithm, digest } of differ) {
    values.set(algorithm, (values.get(algorithm) ?? new Set()).add(digest))
  }
  const several = [...values.values()].some((digests) => digests.size > 1)
  if (agree.length === 0 && !several) return undefined
  const say = (claim: Claim, verb: string) =>
    `${claim.source}: ${ALGORITHM_FACTS[claim.algorithm].label} ${claim.digest.slice(0, 12)}… ${verb}`
  const told = [
    ...agree.slice(0, CONFLICTS_TOLD).map((claim) => say(claim, 'matches')),
    ...differ.slice(0, CONFLICTS_TOLD).map((claim) => say(claim, 'does not match')),
  ]
  const more = agree.length + differ.length - told.length
  return more > 0 ? [...told, `${more} more`] : told
}

function weakNote(algorithm: Algorithm): string | undefined {
  const { guards, label } = ALGORITHM_FACTS[algorithm]
  if (guards === 'forgery') return undefined
  const source = algorithm === 'md5' ? 'RFC 6151' : 'RFC 6194'
  return `Published checksum is ${label} only: it guards against accident, not against forgery (${source}).`
}

function ambiguousNote(path: string, imageName: string): string {
  return `${path} gives a checksum for a file of this name, but several files here could be meant; it is not counted for ${imageName}.`
}

function browserMarkNote(imageName: string, plain: string, source: string): string {
  return `A checksum is published for ${plain} (${source}), not for ${imageName}: a browser adds such a number when the name is taken. Rename the file to compare it.`
}

function unmatchedIn(file: ChecksumFile, known: KnownNames): Unmatched[] {
  const folder = comparable(folderOf(file.path))
  const found: Unmatched[] = file.parsed.problems.map((problem) => ({ file: file.path, ...problem }))
  if (file.parsed.entries.length === 0 && found.length === 0) {
    found.push({ file: file.path, line: 0, what: 'There is no checksum in this file.' })
  }
  for (const entry of file.parsed.entries) {
    if (isMatched(file, entry, folder, known)) continue
    const { line, name } = entry
    const what = name === undefined ? 'The digest stands without a file name.' : 'The file is not here.'
    found.push({ file: file.path, line, what, ...(name === undefined ? {} : { name }) })
  }
  return found
}

function isMatched(
  file: ChecksumFile,
  entry: ChecksumFile['parsed']['entries'][number],
  folder: string,
  known: KnownNames,
): boolean {
  if (entry.name !== undefined) {
    if (namesKnownFile(entry, folder, known) || namesKnownBase(entry, folder, known)) return true
  }
  if (file.name.kind !== 'sidecar') return false
  const of = comparable(file.name.of)
  const here = [...known.paths].some((path) => path.toLowerCase() === of.toLowerCase())
  return here && (entry.name === undefined || file.parsed.entries.length === 1)
}
