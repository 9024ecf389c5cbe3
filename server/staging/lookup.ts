/**
 * From a request target to an image. Only known names are looked up, in maps; the file system is never asked. Small
 * clients and shells escape names in every way there is: raw bytes, percent-encoded (RFC 3986 §2.1), `+` for a space
 * or for itself, one Unicode form or the other, doubled slashes, none at the front, backslashes in their place, the
 * whole address in the request line (RFC 9112 §3.2.2).
 */
import { isUtf8 } from 'node:buffer'
import type { FoundImage, Image } from './image.ts'
import { fold } from './naming.ts'
import { createNearestNames } from './nearest-name.ts'

/** Longer targets name no file: file systems end at 255 bytes a segment, each escaped in at most 3. */
const TARGET_CHARACTERS = 8192
const CHECKSUM_EXTENSION = '.sha256'
const CHECKSUM_LIST = 'SHA256SUMS'

type ByPath = Extract<FoundImage, { kind: 'image' }>

export function createLookup() {
  // Long: one index over one set of images, asked in one way after the other.
  const images = new Map<string, Image>()
  /** Names of images by what they are found by: a word for how, and the text. Some texts stand for several images. */
  const index = new Map<string, Set<string>>()
  const nearest = createNearestNames()

  function forget(name: string): void {
    const old = images.get(name)
    if (old === undefined) return
    for (const key of keysOf(old)) {
      const names = index.get(key)
      if (names?.delete(name) === true && names.size === 0) index.delete(key)
    }
    images.delete(name)
  }

  const known = (key: string): Image[] =>
    [...(index.get(key) ?? [])].flatMap((name) => images.get(name) ?? [])

  /** Several images under one key: the one whose digest is known; copies of the same bytes are as good. */
  function only(key: string): Image | undefined {
    const all = known(key)
    if (all.length <= 1) return all[0]
    const read = all.filter((image) => image.version !== undefined)
    const first = read[0]
    if (first === undefined || read.some((image) => image.version?.sha256 !== first.version?.sha256))
      return undefined
    return read.find((image) => image.state === 'ready') ?? first
  }

  function findImage(reading: string): ByPath | undefined {
    for (const by of ['plain', 'digest'] as const) {
      const image = only(`${by} ${reading}`)
      if (image !== undefined) return { kind: 'image', image, by }
    }
    const image = images.get(reading) ?? only(`name ${reading.normalize('NFC')}`)
    return image && { kind: 'image', image, by: 'name' }
  }

  function findFolded(reading: string): ByPath | undefined {
    const [image, ...others] = known(`folded ${fold(reading)}`)
    return image && others.length === 0 ? { kind: 'image', image, by: 'letter case' } : undefined
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
        for (const key of keysOf(image)) index.set(key, (index.get(key) ?? new Set()).add(image.name))
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

function keysOf({ name, plainPath, digestPath }: Image): string[] {
  const path = plainPath.slice(1)
  const keys = [
    `plain ${path}`,
    `name ${name.normalize('NFC')}`,
    `folded ${fold(path)}`,
    `folded ${fold(name)}`,
  ]
  const digest = digestPath?.slice(1)
  return digest === undefined ? keys : [...keys, `digest ${digest}`, `folded ${fold(digest)}`]
}

/**
 * Candidate names, likeliest first, each without slash in front. `target` as Node gives it: one character a
 * byte. No dot segment is resolved: a name is looked up letter by letter and never touches the file system.
 */
function namesAskedFor(target: string): readonly string[] {
  if (target.length > TARGET_CHARACTERS) return []
  const path = target.replace(/^[A-Za-z][A-Za-z0-9+.-]*:\/\/[^/?#]*/, '')
  const readings = new Set<string>()
  for (const part of new Set([upTo(path, /[?#]/), upTo(path, /\?/), path])) {
    // Where a file's name holds an escape letter for letter, that is the last thing that is meant (RFC 3986 §2.4).
    addText(readings, percentDecoded(part))
    addText(readings, part)
    if (part.includes('+')) addText(readings, percentDecoded(part.replaceAll('+', ' ')))
  }
  // Last, since a name may hold a backslash.
  for (const reading of [...readings])
    if (reading.includes('\\')) addText(readings, reading.replaceAll('\\', '/'))
  return [...readings]
}

function addText(readings: Set<string>, latin1: string): void {
  const name = fromUtf8(latin1)
    .replace(/\/{2,}/g, '/')
    .replace(/^\//, '')
  readings.add(name)
  readings.add(name.normalize('NFC'))
}

function upTo(text: string, end: RegExp): string {
  const at = text.search(end)
  return at === -1 ? text : text.slice(0, at)
}

/** Escapes that are none stay as they are: names with a bare `%` exist. */
function percentDecoded(latin1: string): string {
  return latin1.replace(/%([0-9A-Fa-f]{2})/g, (_all, hex: string) =>
    String.fromCharCode(Number.parseInt(hex, 16)),
  )
}

/** Bytes that are no UTF-8 stay as they are, and text that has characters above one byte already. */
function fromUtf8(latin1: string): string {
  const bytes = Buffer.from(latin1, 'latin1')
  return isUtf8(bytes) && !/[\u0100-\uffff]/.test(latin1) ? bytes.toString('utf8') : latin1
}
