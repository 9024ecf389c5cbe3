/** From a request target to an image. Only known names are looked up, in maps; the file system is never asked. */
import type { FoundImage, Image } from './image.ts'
import { createNearestNames } from './nearest-name.ts'
import { namesAskedFor } from './request-target.ts'

const CHECKSUM_EXTENSION = '.sha256'
const CHECKSUM_LIST = 'SHA256SUMS'

type ByPath = Extract<FoundImage, { kind: 'image' }>

/** A key may stand for several images; only a single one is found by it. */
type Index = ReturnType<typeof createIndex>

export function createLookup() {
  // Long: four indexes over one set of images, asked one after the other.
  const images = new Map<string, Image>()
  const plain = createIndex()
  const digest = createIndex()
  const byName = createIndex()
  const folded = createIndex()
  const nearest = createNearestNames()

  function keysOf(image: Image): readonly (readonly [Index, string])[] {
    const path = image.plainPath.slice(1)
    const digestKey = image.digestPath?.slice(1)
    const keys: (readonly [Index, string])[] = [
      [plain, path],
      [byName, image.name.normalize('NFC')],
      [folded, fold(path)],
      [folded, fold(image.name)],
    ]
    if (digestKey !== undefined) keys.push([digest, digestKey], [folded, fold(digestKey)])
    return keys
  }

  function forget(name: string): void {
    const old = images.get(name)
    if (old === undefined) return
    for (const [index, key] of keysOf(old)) index.remove(key, name)
    images.delete(name)
  }

  const known = (names: readonly string[]): Image[] => names.flatMap((name) => images.get(name) ?? [])

  /** Several images under one key: the one whose digest is known; copies of the same bytes are as good. */
  function only(names: readonly string[]): Image | undefined {
    const all = known(names)
    if (all.length <= 1) return all[0]
    const read = all.filter((image) => image.version !== undefined)
    const first = read[0]
    if (first === undefined || read.some((image) => image.version?.sha256 !== first.version?.sha256))
      return undefined
    return read.find((image) => image.state === 'ready') ?? first
  }

  function findImage(reading: string): ByPath | undefined {
    const byPlain = only(plain.names(reading))
    if (byPlain !== undefined) return { kind: 'image', image: byPlain, by: 'plain' }
    const byDigest = only(digest.names(reading))
    if (byDigest !== undefined) return { kind: 'image', image: byDigest, by: 'digest' }
    const exact = images.get(reading) ?? only(byName.names(reading.normalize('NFC')))
    return exact === undefined ? undefined : { kind: 'image', image: exact, by: 'name' }
  }

  function findFolded(reading: string): ByPath | undefined {
    const names = folded.names(fold(reading))
    const image = names.length === 1 ? known(names)[0] : undefined
    return image === undefined ? undefined : { kind: 'image', image, by: 'letter case' }
  }

  function findAmong(readings: readonly string[]): ByPath | undefined {
    for (const reading of readings) {
      const found = findImage(reading)
      if (found !== undefined) return found
    }
    const loose = readings.flatMap((reading) => findFolded(reading) ?? [])
    const first = loose[0]
    return loose.every((other) => other.image.name === first?.image.name) ? first : undefined
  }

  return {
    /** Adds an image or puts a newer snapshot in its place; true when it is a new one. */
    set(image: Image): boolean {
      const old = images.get(image.name)
      if (old?.plainPath !== image.plainPath || old.digestPath !== image.digestPath) {
        forget(image.name)
        for (const [index, key] of keysOf(image)) index.add(key, image.name)
        nearest.set(image.name, image.plainPath)
      }
      images.set(image.name, image)
      return old === undefined
    },
    delete(name: string): void {
      forget(name)
      nearest.delete(name)
    },
    /** `target`: the request target as Node gives it, one character a byte; absolute form allowed. */
    find(target: string): FoundImage {
      const readings = namesAskedFor(target)
      const found = findAmong(readings)
      if (found !== undefined) return found
      const bases = readings
        .filter((reading) => reading.toLowerCase().endsWith(CHECKSUM_EXTENSION))
        .map((reading) => reading.slice(0, -CHECKSUM_EXTENSION.length))
      const base = findAmong(bases)
      if (base !== undefined) return { kind: 'checksum', image: base.image }
      if (readings.some((reading) => fold(reading) === fold(CHECKSUM_LIST))) return { kind: 'list' }
      const near = readings[0] === undefined ? undefined : nearest.find(`/${readings[0]}`)
      return near === undefined ? { kind: 'none' } : { kind: 'none', nearest: near }
    },
  }
}

function fold(text: string): string {
  return text.normalize('NFC').toLowerCase()
}

function createIndex() {
  const entries = new Map<string, Set<string>>()
  return {
    add(key: string, name: string): void {
      const names = entries.get(key)
      if (names === undefined) entries.set(key, new Set([name]))
      else names.add(name)
    },
    remove(key: string, name: string): void {
      const names = entries.get(key)
      if (names?.delete(name) === true && names.size === 0) entries.delete(key)
    },
    names: (key: string): readonly string[] => [...(entries.get(key) ?? [])],
  }
}
