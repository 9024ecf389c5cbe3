/**
 * Plain paths and digest paths: what a console can type. Pure functions. Only the unreserved characters of
 * RFC 3986 §2.3 without `~`, and `/` between segments.
 */

/** Leading `/` included. Small clients hold 63 characters and more (common practice). */
export const PLAIN_PATH_CHARACTERS = 63
const DIGITS = 6
const OUTSIDE = /[^A-Za-z0-9._-]+/g
const EXTENSION = /\.[A-Za-z0-9_-]{1,15}$/
/** File names that Windows keeps for devices, with any extension; a client there could not store them. */
const DEVICE = /^(con|prn|aux|nul|com[0-9]|lpt[0-9])(?=\.|$)/i
/** Paths that mean something else on the image port. */
const RESERVED = /(^|\/)sha256sums$|\.sha256$/i

/** The path a name wants, unshortened: each folder a segment, the alphabet kept. Starts with `/`. */
export function wantedPath(name: string): string {
  const path = `/${name.split('/').map(plainSegment).join('/')}`
  return RESERVED.test(path)
    ? path.replace(/\.(?=sha256$)/i, '-').replace(/(?<=(^|\/)sha256sums)$/i, '-')
    : path
}

function plainSegment(segment: string): string {
  const plain = segment
    .normalize('NFKD')
    .replace(/\p{M}+/gu, '')
    .replace(OUTSIDE, '-')
    .replace(/^\.+/, '-')
    .replace(DEVICE, '$1-')
  return plain === '' ? '-' : plain
}

/** Names that differ in letter case or Unicode form alone are one. */
export function fold(name: string): string {
  return name.normalize('NFC').toLowerCase()
}

/** True when the path is short enough to be used as it is. */
export function fits(path: string): boolean {
  return path.length <= PLAIN_PATH_CHARACTERS
}

/**
 * The path with a tail (such as `-3fa94c`) before its extension, shortened in the middle to fit.
 * `tail` '' gives the provisional path of a long name whose digest is not known yet.
 */
export function pathWithTail(path: string, tail: string): string {
  const extension = extensionOf(path)
  const stem = path.slice(0, path.length - extension.length)
  const room = PLAIN_PATH_CHARACTERS - extension.length - tail.length
  return `${shorten(stem, room)}${tail}${extension}`
}

/** `-` and the first 6 hex digits; from the second file with the same digits on, also `-2`, `-3`, … */
export function digitsTail(sha256: string, copy: number): string {
  const digits = `-${sha256.slice(0, DIGITS)}`
  return copy <= 1 ? digits : `${digits}-${copy}`
}

/** `/` + first 8 hex digits + the extension of the plain path. */
export function digestPath(name: string, sha256: string): string {
  return `/${sha256.slice(0, 8)}${extensionOf(wantedPath(name))}`
}

/** With its dot; '' when the last segment has none. */
export function extensionOf(path: string): string {
  const last = path.slice(path.lastIndexOf('/') + 1)
  const found = EXTENSION.exec(last)
  return found === null || found.index === 0 ? '' : found[0]
}

function shorten(stem: string, room: number): string {
  if (stem.length <= room) return stem
  const front = Math.ceil((room - 1) / 2)
  return `${stem.slice(0, front)}-${stem.slice(stem.length - (room - 1 - front))}`
}
