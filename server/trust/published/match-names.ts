/**
 * Whether an entry of a checksum file speaks of an image: names compared letter for letter, in either Unicode
 * form (systems store different ones), with either slash, and with surrounding blanks that editors leave.
 */
import type { PublishedEntry } from './parse.ts'

/** Folder of a path, with a trailing `/`; empty for the staging folder itself. */
export function folderOf(path: string): string {
  return path.slice(0, path.lastIndexOf('/') + 1)
}

export function baseOf(path: string): string {
  return path.slice(path.lastIndexOf('/') + 1)
}

/** The form in which names are compared. */
export function comparable(name: string): string {
  return name.normalize('NFC')
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

/** The base names that `written` may mean. */
export function basesOf(written: string): string[] {
  const spellings = [written, written.trim(), written.replaceAll('\\', '/').trim()]
  return [...new Set(spellings.map((spelling) => comparable(baseOf(spelling))))].filter((base) => base !== '')
}

/** A list, ready to be asked: its entries by path and by base name. */
export interface IndexedEntries {
  readonly byPath: ReadonlyMap<string, readonly PublishedEntry[]>
  readonly byBase: ReadonlyMap<string, readonly PublishedEntry[]>
}

const ENTRIES_A_TURN = 2_000

/** In turns of a few milliseconds. */
export function* indexingInTurns(entries: readonly PublishedEntry[]): Generator<void, IndexedEntries, void> {
  const byPath = new Map<string, PublishedEntry[]>()
  const byBase = new Map<string, PublishedEntry[]>()
  for (const [at, entry] of entries.entries()) {
    if (at % ENTRIES_A_TURN === 0) yield
    if (entry.name === undefined) continue
    for (const path of pathsOf(entry.name)) push(byPath, path, entry)
    for (const base of basesOf(entry.name)) push(byBase, base, entry)
  }
  return { byPath, byBase }
}

function push<T>(map: Map<string, T[]>, key: string, value: T): void {
  const there = map.get(key)
  if (there === undefined) map.set(key, [value])
  else there.push(value)
}

/** `NAME (1).bin` -> `NAME.bin`: the mark that browsers add when a name is taken; undefined without one. */
export function withoutBrowserMark(path: string): string | undefined {
  const plain = path.replace(/ ?\(\d{1,3}\)(?=(?:\.[^/.]+)*$)/, '')
  return plain === path ? undefined : plain
}
