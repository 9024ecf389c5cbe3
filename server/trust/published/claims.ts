/**
 * Which published checksums speak of which image. A list names files relative to its own folder: the full
 * path counts first, then the base name anywhere below the list, when it can mean only one file. A sidecar
 * speaks of the file that carries its name without the suffix.
 */
import type { Algorithm } from '../digests/algorithm.ts'
import type { IndexedEntries } from './match-names.ts'
import { baseOf, basesOf, comparable, folderOf, indexingInTurns, pathsOf } from './match-names.ts'
import type { ChecksumFileName } from './names.ts'
import {
  findDigests,
  type ParsedChecksums,
  type PublishedEntry,
  parseChecksums,
  parsingInTurns,
} from './parse.ts'

/** One published checksum of an image. */
export interface Claim {
  readonly algorithm: Algorithm
  /** Lower-case hex. */
  readonly digest: string
  /** Where it stands: file and line, or who pasted it. */
  readonly source: string
}

/** What a person pasted as published: one digest, or text that holds one or more; none when it holds none. */
export function claimsInText(text: string, by: string): readonly Claim[] {
  const { entries } = parseChecksums('', text.trim())
  const found = entries.length > 0 ? entries : findDigests(text)
  return found.map(({ algorithm, digest }) => ({ algorithm, digest, source: `pasted by ${by}` }))
}

export interface ChecksumFile {
  readonly path: string
  readonly name: ChecksumFileName
  readonly parsed: ParsedChecksums
  readonly index: IndexedEntries
}

/** In turns of a few milliseconds. */
export function* checksumFileInTurns(
  path: string,
  name: ChecksumFileName,
  content: Uint8Array | string,
): Generator<void, ChecksumFile, void> {
  const parsed = yield* parsingInTurns(path, content)
  return { path, name, parsed, index: yield* indexingInTurns(parsed.entries) }
}

/** Names of the images, in comparable form, for deciding what a base name can mean. */
export interface KnownNames {
  readonly paths: ReadonlySet<string>
  readonly byBase: ReadonlyMap<string, readonly string[]>
}

export function knownNames(names: Iterable<string>): KnownNames {
  const paths = new Set<string>()
  const byBase = new Map<string, string[]>()
  for (const name of names) {
    const path = comparable(name)
    paths.add(path)
    const base = baseOf(path)
    const others = byBase.get(base)
    if (others === undefined) byBase.set(base, [path])
    else others.push(path)
  }
  return { paths, byBase }
}

/** The entries of `file` that speak of the image `name`; `ambiguous` when a base name could mean several. */
export function entriesFor(
  file: ChecksumFile,
  name: string,
  known: KnownNames,
): { readonly entries: readonly PublishedEntry[]; readonly ambiguous: boolean } {
  const image = comparable(name)
  const folder = comparable(folderOf(file.path))
  if (!image.startsWith(folder)) return { entries: [], ambiguous: false }
  const exact = file.index.byPath.get(image.slice(folder.length))
  if (exact !== undefined) return { entries: exact, ambiguous: false }
  const own = ofSidecar(file, image, known)
  if (own.length > 0) return { entries: own, ambiguous: false }
  return byBaseName(file, image, folder, known)
}

function byBaseName(file: ChecksumFile, image: string, folder: string, known: KnownNames) {
  const none = { entries: [], ambiguous: false }
  const named = file.index.byBase.get(baseOf(image)) ?? []
  const entries = named.filter((entry) => !namesKnownFile(entry, folder, known))
  if (entries.length === 0) return none
  const rivals = (known.byBase.get(baseOf(image)) ?? []).filter(
    (path) => path !== image && path.startsWith(folder) && !file.index.byPath.has(path.slice(folder.length)),
  )
  const written = new Set(entries.map((entry) => pathsOf(entry.name ?? '')[0] ?? entry.name))
  if (rivals.length > 0 || written.size > 1) return { entries: [], ambiguous: true }
  return { entries, ambiguous: false }
}

/** Whether the entry's own path is a file that is there: then it speaks of that file and no other. */
export function namesKnownFile(entry: PublishedEntry, folder: string, known: KnownNames): boolean {
  return pathsOf(entry.name ?? '').some((path) => known.paths.has(folder + path))
}

/** Whether any file below `folder` carries the entry's base name. */
export function namesKnownBase(entry: PublishedEntry, folder: string, known: KnownNames): boolean {
  return basesOf(entry.name ?? '').some((base) =>
    (known.byBase.get(base) ?? []).some((path) => path.startsWith(folder)),
  )
}

/**
 * A sidecar's bare digests; and its single entry, when the file which that names is not there (a maker's build
 * writes its own path). Letter case of the sidecar's name counts only where two files differ by nothing else.
 */
function ofSidecar(file: ChecksumFile, image: string, known: KnownNames): PublishedEntry[] {
  if (file.name.kind !== 'sidecar') return []
  const of = comparable(file.name.of)
  const same = of === image || (!known.paths.has(of) && of.toLowerCase() === image.toLowerCase())
  if (!same) return []
  const bare = file.parsed.entries.filter((entry) => entry.name === undefined)
  const [first, second] = file.parsed.entries
  if (bare.length > 0 || first === undefined || second !== undefined) return bare
  return namesKnownFile(first, comparable(folderOf(file.path)), known) ? [] : [first]
}
