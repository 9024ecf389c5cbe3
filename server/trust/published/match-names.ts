/**
 * Which of the files here a written name may mean: in either Unicode form (systems store different ones), with either
 * slash, with surrounding blanks that editors leave, in another letter case or code page where that is unambiguous.
 */
import { addTo } from '../../lists-by-key.ts'
import { tidied } from '../digests/text-decoding.ts'

/** Folder of a path, with a trailing `/`; empty for the staging folder itself. */
export function folderOf(path: string): string {
  return path.slice(0, path.lastIndexOf('/') + 1)
}

function baseOf(path: string): string {
  return path.slice(path.lastIndexOf('/') + 1)
}

/** The form in which names are compared: that of names in a text. */
export function comparable(name: string): string {
  return tidied(name).normalize('NFC')
}

/** The same for what differs in letter case alone. */
export function folded(name: string): string {
  return comparable(name).toLowerCase()
}

/**
 * The paths that `written` may mean, relative to the list's folder; the first is the literal one. Absolute
 * paths and those that climb out of the folder mean no path here: only their base name counts.
 */
export function pathsOf(written: string): string[] {
  const found = new Set<string>()
  for (const spelling of [written, written.trim(), written.replaceAll('\\', '/')]) {
    const parts = spelling.split('/').filter((part, index) => part !== '.' && (part !== '' || index === 0))
    if (parts[0] === '' || parts.includes('..') || /^[A-Za-z]:$/.test(parts[0] ?? '')) continue
    found.add(comparable(parts.join('/')))
  }
  return [...found]
}

/** The base names that `written` may mean; an address may go on behind its path (RFC 3986 §3.4). */
export function baseNamesOf(written: string): string[] {
  const slashes = written.replaceAll('\\', '/').trim()
  const path = /^[a-z]+:\/\//i.test(slashes) ? slashes.replace(/[?#].*$/s, '') : slashes
  const spellings = [written, written.trim(), path]
  return [...new Set(spellings.map((spelling) => comparable(baseOf(spelling))))].filter((base) => base !== '')
}

/** The files here, to be found by what a text may call them. */
export type KnownNames = ReturnType<typeof knownNames>

export function knownNames(names: Iterable<string>) {
  const paths = new Set<string>()
  const byBase = new Map<string, string[]>()
  const byStem = new Map<string, string[]>()
  const byLikeness = new Map<string, string[]>()
  for (const name of names) {
    const path = comparable(name)
    paths.add(path)
    for (const base of baseKeys(path)) addTo(byBase, base, path)
    for (const stem of new Set([folded(path), folded(withoutExtension(path))])) addTo(byStem, stem, path)
    addTo(byLikeness, likeness(path), path)
  }
  return {
    paths,
    /** Those below `folder` that have this base name; in another letter case only where none has it as it stands. */
    withBase(base: string, folder: string): readonly string[] {
      const found = (byBase.get(folded(base)) ?? []).filter((path) => path.startsWith(folder))
      const same = found.filter((path) => baseOf(path) === base)
      return same.length > 0 ? same : found
    },
    /** Those that have this path, or have it but for the extension. */
    withStem: (path: string): readonly string[] => byStem.get(folded(path)) ?? [],
    /** Those whose names differ from it by what people, browsers and systems do to names. */
    alike: (base: string): readonly string[] => byLikeness.get(likeness(base)) ?? [],
  }
}

/** Its base name, and that as a name in a code page looks in UTF-8: U+FFFD for each letter beyond ASCII (`decodeText`). */
export function baseKeys(path: string): ReadonlySet<string> {
  const base = folded(baseOf(path))
  return new Set([base, base.replace(/[^ -~]/gu, '\ufffd')])
}

function likeness(path: string): string {
  const plain = withoutExtension(withoutBrowserMark(folded(baseOf(path))))
  return plain.replace(/[^\p{L}\p{N}]/gu, '')
}

function withoutExtension(path: string): string {
  return path.replace(/\.[^./]{1,12}$/, '')
}

/** `NAME (1).bin` -> `NAME.bin`: the mark that browsers add when a name is taken. */
function withoutBrowserMark(path: string): string {
  return path.replace(/ ?\(\d{1,3}\)(?=(?:\.[^/.]+)*$)/, '')
}
