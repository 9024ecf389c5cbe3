/**
 * A checksum text and what it says of which file. It names files relative to its own folder: the full path counts
 * first, then the base name anywhere below the folder, when it can mean only one file. Digests without a name are of
 * the file that the text stands beside, by its own name.
 */
import { addTo } from '../../lists-by-key.ts'
import type { StatedDigest } from '../digests/pairing.ts'
import { findDigests, findDigestsInTurns } from '../digests/stated-digests.ts'
import type { StatementsFound } from '../digests/statements.ts'
import { decodeText } from '../digests/text-decoding.ts'
import {
  baseKeys,
  baseNamesOf,
  comparable,
  folded,
  folderOf,
  type KnownNames,
  pathsOf,
} from './match-names.ts'
import { checksumFileName } from './names.ts'

export interface ChecksumText {
  readonly path: string
  /** In comparable form. */
  readonly folder: string
  /** The path of what it would belong to as a sidecar. */
  readonly of: string | undefined
  readonly found: StatementsFound
  /** By each base name that one may mean, folded. */
  readonly byBase: ReadonlyMap<string, readonly StatedDigest[]>
  /** Paths that it gives in full. */
  readonly paths: ReadonlySet<string>
  /** Without a name, or with what is perhaps none. */
  readonly loose: readonly StatedDigest[]
}

/** In turns of a few milliseconds. */
export async function readChecksumText(path: string, content: Uint8Array | string): Promise<ChecksumText> {
  const name = checksumFileName(path)
  if (name === undefined && content.length > LONGEST_UNNAMED && !statesEarly(content))
    return checksumText(path, { stated: [], notRead: [], isList: false })
  const found = await findDigestsInTurns(content, name?.algorithm)
  const why = notByTheMaker(path, content)
  return checksumText(path, why === undefined || found.stated.length === 0 ? found : leftOut(found, why))
}

/** A long text whose name says nothing is read whole when it states a digest early: logs grow all the time. */
const LONGEST_UNNAMED = 1024 * 1024
const EARLY = 64 * 1024

function statesEarly(content: Uint8Array | string): boolean {
  return findDigests(content.slice(0, EARLY)).stated.length > 0
}

/** What devices and this program say of files is no witness for them. */
function notByTheMaker(path: string, content: Uint8Array | string): string | undefined {
  if (/\.log$/i.test(path)) return 'A log is not what the maker publishes. Where it is, call it .txt.'
  const head = content.slice(0, 2048)
  if (!OWN_RECORD.test(typeof head === 'string' ? head : decodeText(head))) return undefined
  return 'It is a record that this program made, not what the maker publishes.'
}

/** Reports, audits and tables of images, as HTML, CSV, JSON and text; the ledger itself. */
const OWN_RECORD =
  /<title>Site visit record|^\W*(?:device\W+step\W+standing|(?:id\W+)?begun\W+client|Image\s+State\s+Bytes\s+SHA-256)\b|"(?:plainPath|zoneOffsetMinutes|bytesCovered|prev)":/

function leftOut({ stated }: StatementsFound, what: string): StatementsFound {
  const notRead = stated.slice(0, MOST_LEFT_OUT).map(({ line, names }) => ({ line, what, names }))
  return { stated: [], notRead, isList: false }
}

const MOST_LEFT_OUT = 20

/** Nothing in it is about any file. */
export function isSilent({ path, found }: ChecksumText): boolean {
  return checksumFileName(path) === undefined && found.stated.length === 0 && found.notRead.length === 0
}

/** It ties digests to files, or stands beside one, and says nothing else: devices have no use for it. */
export function isListOfFiles(text: ChecksumText, known: KnownNames): boolean {
  const { isList, stated } = text.found
  return isList && (besideOf(text, known) !== undefined || stated.some(({ certain }) => certain))
}

export function checksumText(path: string, found: StatementsFound): ChecksumText {
  const byBase = new Map<string, StatedDigest[]>()
  const paths = new Set<string>()
  for (const entry of found.stated) {
    for (const base of new Set(entry.names.flatMap(baseNamesOf).map(folded))) addTo(byBase, base, entry)
    for (const written of pathsOf(entry.names[0] ?? '')) paths.add(written)
  }
  const name = checksumFileName(path)
  const of = name === undefined ? /^(.+)\.[^./]+$/.exec(path)?.[1] : name.of
  const loose = found.stated.filter(({ certain }) => !certain)
  return { path, folder: comparable(folderOf(path)), of: of && comparable(of), found, byBase, paths, loose }
}

/** What `text` says of the image `name`. Ambiguous: a name could mean several files, or several lines this one. */
export function entriesFor(text: ChecksumText, name: string, known: KnownNames) {
  const image = comparable(name)
  if (!image.startsWith(text.folder) || name === text.path) return { entries: [], ambiguous: false }
  const named = [...baseKeys(image)].flatMap((base) => text.byBase.get(base) ?? [])
  const literal = named.filter(({ names }) =>
    pathsOf(names[0] ?? '').includes(image.slice(text.folder.length)),
  )
  if (literal.length > 0) return { entries: literal, ambiguous: false }
  if (besideOf(text, known) === image) {
    const own = ofSidecar(text, image, known)
    if (own.length > 0) return { entries: own, ambiguous: false }
  }
  // A list made to hurt may name one file on every line.
  const meantBy = new Map<string, readonly string[]>()
  const meant = named.map((entry) => {
    const key = entry.names.join('\n')
    const images = meantBy.get(key) ?? imagesOf(entry, text, known)
    meantBy.set(key, images)
    return { entry, images }
  })
  const possible = meant.filter(({ images }) => images.includes(image))
  const written = new Set(possible.map(({ entry: { names } }) => pathsOf(names[0] ?? '')[0] ?? names[0]))
  const ambiguous = written.size > 1 || possible.some(({ images }) => images.length > 1)
  return { entries: ambiguous ? [] : possible.map(({ entry }) => entry), ambiguous }
}

/** The images that an entry may mean by its names: by the whole one first. */
export function imagesOf(
  { names }: Pick<StatedDigest, 'names'>,
  { folder, paths }: ChecksumText,
  known: KnownNames,
): readonly string[] {
  const [whole, ...words] = names
  for (const spellings of [whole === undefined ? [] : [whole], words]) {
    const found = spellings.flatMap((name) => {
      const literal = pathsOf(name).find((path) => known.paths.has(folder + path))
      if (literal !== undefined) return [folder + literal]
      const below = baseNamesOf(name).flatMap((base) => known.withBase(base, folder))
      return below.filter((path) => !paths.has(path.slice(folder.length)))
    })
    if (found.length > 0) return [...new Set(found)]
  }
  return []
}

/** The image beside which it stands by its own name, also without the image's extension or in another letter case. */
export function besideOf({ path, of }: ChecksumText, known: KnownNames): string | undefined {
  if (of === undefined || known.paths.has(of)) return of
  const [image, ...others] = known.withStem(of).filter((other) => other !== comparable(path))
  return others.length === 0 ? image : undefined
}

/**
 * A sidecar's digests without a name; and those of its only name, when the file that it means is not here (a maker's
 * build writes its own path) and the sidecar carries the image's whole name.
 */
export function ofSidecar(text: ChecksumText, image: string, known: KnownNames): readonly StatedDigest[] {
  const bare = text.loose.filter((entry) => imagesOf(entry, text, known).length === 0)
  const [first] = text.found.stated
  if (bare.length > 0 || first === undefined || folded(text.of ?? '') !== folded(image)) return bare
  const isOnlyName = text.found.stated.every(({ names }) => names[0] === first.names[0])
  return isOnlyName && imagesOf(first, text, known).length === 0 ? text.found.stated : []
}
