/**
 * The same files give the same bytes, on every machine: one order, one time, no owner, and a compressor in JavaScript
 * (Node.js's zlib compresses to other bytes from version to version and from processor to processor).
 */
import { gzipSync, zipSync } from 'fflate'
import { tarOf } from './tar.mjs'

/** The earliest that a zip file can say is 1980; it says local time, so it is given as such. */
const MADE = { year: 2026, month: 0, day: 1 }
const LEVEL = 9

/** `files`: `{ name, bytes, mode }`. */
export function archiveOf(kind, files) {
  const ordered = files.toSorted((a, b) => (a.name < b.name ? -1 : 1))
  if (kind === 'zip') {
    const mtime = new Date(MADE.year, MADE.month, MADE.day)
    return zipSync(
      Object.fromEntries(ordered.map(({ name, bytes }) => [name, [bytes, { level: LEVEL, mtime }]])),
    )
  }
  const time = Date.UTC(MADE.year, MADE.month, MADE.day) / 1000
  return gzipSync(tarOf(ordered, time), { level: LEVEL, mtime: 0 })
}
