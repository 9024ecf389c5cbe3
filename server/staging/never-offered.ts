/** What in a staging folder is no image: our own files, hidden ones, checksums, downloads in progress, documents. */
import { relative, sep } from 'node:path'
import { isInside } from '../files/folder.ts'
import { SETTINGS_FILE } from '../settings.ts'

const SHEET_FILE = 'visit.csv'
/** Enough to tell text from an image under a document's name. */
export const HEAD_BYTES = 4096

const IN_PROGRESS = /(\.(part|partial|crdownload|download|tmp)|~)$/i
const DOCUMENT = /\.(md|txt|pdf|html|csv|log)$/i
/** `NAME.sha256`, `SHA256SUMS` and the like (common practice); the lists may be signed. */
const CHECKSUMS =
  /(\.(md5|sha1|sha224|sha256|sha384|sha512)(sums?)?|(^|\/)((md5|sha1|sha224|sha256|sha384|sha512)sums?|checksums?)([._-](txt|asc|sig|sign|gpg))*)$/i

export type FileKind = 'image' | 'checksums' | 'perhaps a document' | 'never'

/** Judges names within the folder; `records` is never looked into, wherever it lies. */
export function createOfferRule(options: {
  folder: string
  records: string
  isChecksumFile?: (name: string) => boolean
}): { kindOf(name: string): FileKind; mayHoldImages(folderName: string): boolean } {
  const records = isInside(options.folder, options.records)
    ? relative(options.folder, options.records).split(sep).join('/')
    : undefined
  const recordsAreHere = options.records === options.folder
  const hidden = (name: string) => name.split('/').some((segment) => segment.startsWith('.'))
  const ours = (name: string) =>
    name === SHEET_FILE ||
    name === SETTINGS_FILE ||
    (records !== undefined && (name === records || name.startsWith(`${records}/`))) ||
    (recordsAreHere && /^(ledger\.|catalogue\.json|reserve|lock)/.test(name))
  return {
    kindOf(name) {
      if (hidden(name) || ours(name) || IN_PROGRESS.test(name)) return 'never'
      if (options.isChecksumFile?.(name) === true || CHECKSUMS.test(name)) return 'checksums'
      return DOCUMENT.test(name) ? 'perhaps a document' : 'image'
    },
    mayHoldImages: (folderName) => !hidden(folderName) && !ours(folderName),
  }
}

/** True when a file with a document's extension begins as its extension says; else it is an image. */
export function isDocument(name: string, head: Uint8Array): boolean {
  if (/\.pdf$/i.test(name)) return Buffer.from(head).subarray(0, 1024).includes('%PDF-')
  return isText(head)
}

function isText(head: Uint8Array): boolean {
  const utf16 = (head[0] === 0xff && head[1] === 0xfe) || (head[0] === 0xfe && head[1] === 0xff)
  if (utf16) return true
  // Control characters that text has: tab, line feed, form feed, carriage return, escape.
  return head.every((byte) => byte >= 0x20 || [0x09, 0x0a, 0x0c, 0x0d, 0x1b].includes(byte))
}
