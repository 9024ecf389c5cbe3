/** What stands in checksum texts and speaks of no image here: each digest, name and line once, with the reason. */
import type { StatedDigest } from '../digests/pairing.ts'
import { besideOf, type ChecksumText, entriesFor, imagesOf, ofSidecar } from './checksum-text.ts'
import { baseNamesOf, type KnownNames } from './match-names.ts'
import { checksumFileName, isSignature } from './names.ts'

export interface Unused {
  /** The text, as a path within the staging folder. */
  readonly file: string
  /** From 1; 0 when it is about the whole text. */
  readonly line: number
  readonly reason: string
  /** The image that it may concern. */
  readonly image?: string
}

/** A maker's list names all that the maker has. */
const MOST_NAMES = 20

/** What is not used of `text`. */
export function unusedOf(text: ChecksumText, known: KnownNames): readonly Unused[] {
  const { path: file, found } = text
  const image = besideOf(text, known)
  const lines = found.notRead.map(({ line, what, names = [] }) => {
    const [meant = image, ...others] = imagesOf({ names }, text, known)
    return { file, line, reason: what, ...(meant !== undefined && others.length === 0 && { image: meant }) }
  })
  if (found.stated.length === 0 && lines.length === 0 && checksumFileName(file) !== undefined) {
    if (!isSignature(file))
      return [{ file, line: 0, reason: 'There is no checksum in it.', ...(image && { image }) }]
  }
  const own = new Set(image === undefined ? [] : ofSidecar(text, image, known))
  const left = untied(text, known).filter((entry) => !own.has(entry))
  const told = left.map((entry) => ({ file, line: entry.line, ...reasonFor(entry, text, known) }))
  const first = [...told.filter((each) => each.image !== undefined), ...told.filter((each) => !each.image)]
  const more = first.length - MOST_NAMES
  const rest =
    more > 0 ? [{ file, line: 0, reason: `${more} more of its digests are of files that are not here.` }] : []
  return [...lines, ...first.slice(0, MOST_NAMES).sort((a, b) => a.line - b.line), ...rest]
}

/** Those that are used for no image; a look at the base names tells most of a long list. */
function untied(text: ChecksumText, known: KnownNames): StatedDigest[] {
  const used = new Set<StatedDigest>()
  for (const [base, entries] of text.byBase) {
    for (const image of known.withBase(base, text.folder)) {
      if (entries.every((entry) => used.has(entry))) break
      for (const entry of entriesFor(text, image, known).entries) used.add(entry)
    }
  }
  return text.found.stated.filter((entry) => !used.has(entry))
}

function reasonFor(
  entry: StatedDigest,
  text: ChecksumText,
  known: KnownNames,
): { readonly reason: string; readonly image?: string } {
  const [name] = entry.names
  if (name === undefined) return { reason: 'The digest stands without a file name.' }
  const [meant, ...others] = imagesOf(entry, text, known)
  if (others.length > 0)
    return { reason: `${name} may mean several files here: ${[meant, ...others].slice(0, 4).join(', ')}.` }
  if (meant !== undefined)
    return { reason: `Several lines may mean ${meant}; none of them is counted.`, image: meant }
  const near = baseNamesOf(name)
    .flatMap((base) => known.alike(base))
    .find((path) => path.startsWith(text.folder) && path !== text.path)
  if (near !== undefined)
    return { reason: `${name} is not here. Is it meant for ${near}? Then rename one of them.`, image: near }
  return { reason: entry.certain ? `${name} is not here.` : `No file here is called ${name}.` }
}
