/** What in a staging folder is no image: our own files, hidden ones, checksums, downloads in progress, documents. */
import { isInside, nameWithin } from '../files/folder.ts'
import { MAX_TEXT_BYTES } from '../ledger/outside-text.ts'
import { SETTINGS_FILE } from '../settings.ts'
import { differences } from './nearest-name.ts'

export const SHEET_FILE = 'visit.csv'
/** Enough to tell text from an image under a document's name. */
export const HEAD_BYTES = 4096

/** As browsers, transfer programs and editors name what is not complete yet (common practice). */
const IN_PROGRESS =
  /(\.(part|partial|crdownload|download|opdownload|fdmdownload|qkdownload|filepart|dtapart|!ut|!qb|bc!|tmp)|~)$/i
/** Stands beside the file whose download it keeps track of, under its name and this. */
export const CONTROL_ENDINGS = ['.aria2', '.part', '.lftp-pget-status'] as const
/** What systems and office programs put into folders on their own. */
const OF_THE_SYSTEM =
  /(^|\/)(thumbs\.db|ehthumbs(_vista)?\.db|desktop\.ini|icon\r|~\$[^/]*|[^/]*:zone\.identifier)$/i
const FOLDER_OF_THE_SYSTEM = /(^|\/)(\$recycle\.bin|system volume information|lost\+found|__macosx)(\/|$)/i
const SHORTCUT = /\.(lnk|url|webloc|desktop)$/i
const SPREADSHEET = /\.(xlsx?|xlsm|xlsb|ods|numbers)$/i
const OFFICE = /\.(docx?|docm|odt|rtf|pages|pptx?|pptm|odp|key|vsdx?|odg|mpp|one|eml|msg)$/i
const DOCUMENT = /\.(md|txt|pdf|html?|mht|mhtml|csv|cvs|tsv|log)$/i
/** What copies, downloads and habits put beside the sheet's name, in several languages. */
const BESIDE_VISIT = /^(copy|kopie|copie|copia|von|of|de|di|sheet|plan|new|old|final|v)$/

type FileKind = 'image' | 'checksums' | 'perhaps a document' | 'never'

/** What it is, where a person may wonder why it is not offered; undefined for all other files. */
export function wordsForNever(name: string): string | undefined {
  // No record could name it.
  if (Buffer.byteLength(name) > MAX_TEXT_BYTES)
    return `its name with its folders is longer than ${MAX_TEXT_BYTES} bytes: shorten it`
  if (IN_PROGRESS.test(name)) return /\.tmp$|~$/i.test(name) ? 'a temporary file' : 'being downloaded'
  return SHORTCUT.test(name) ? 'a shortcut, not the file itself' : undefined
}

/** The same for folders: some browsers download into one. */
export function wordsForFolder(name: string): string | undefined {
  return /\.download(\/|$)/i.test(name) ? 'being downloaded' : undefined
}

/** Windows and macOS find `visit.csv` under `Visit.csv`. */
export function isSheet(name: string, platform = process.platform): boolean {
  return name === SHEET_FILE || (platform !== 'linux' && name.toLowerCase() === SHEET_FILE)
}

/**
 * A name that a person, a browser or a spreadsheet made of the visit sheet's: `visit.csv.txt`, `Visit.csv`,
 * `visit (1).csv`, `Copy of visit.csv`, `visit-2026-03.xlsx`, `vist.csv`.
 */
export function isNearSheet(name: string): boolean {
  const stem = /^([^/]+?)(\.(csv|cvs|txt|tsv|xlsx?|xlsm|xlsb|ods|numbers))+$/i.exec(name)?.[1]
  if (stem === undefined || isSheet(name)) return false
  const words = stem.toLowerCase().match(/\p{L}+/gu) ?? []
  const others = words.filter((word) => differences(word, 'visit', 2) > 1)
  return others.length < words.length && others.every((word) => BESIDE_VISIT.test(word))
}

/** The same for documents; that a text is none needs no words. */
export function wordsForDocument(name: string): string | undefined {
  const asCsv = `save it as CSV under the name ${SHEET_FILE}`
  if (SPREADSHEET.test(name))
    return `a spreadsheet; ${isNearSheet(name) ? 'not read as the visit sheet:' : 'if it is the visit sheet,'} ${asCsv}`
  if (isNearSheet(name)) return `not read as the visit sheet: rename it to ${SHEET_FILE}`
  if (name.endsWith(`/${SHEET_FILE}`))
    return 'not read as the visit sheet: put it into the staging folder itself'
  return OFFICE.test(name) ? 'an office document' : undefined
}

/** The name of the file whose download this one belongs to: `fw.bin` of `fw.bin.aria2`. */
export function controlledBy(name: string): string | undefined {
  const ending = CONTROL_ENDINGS.find((each) => name.toLowerCase().endsWith(each))
  return ending === undefined ? undefined : name.slice(0, -ending.length)
}

/** Judges names within the folder; `records` is never looked into, wherever it lies. */
export function createOfferRule(options: {
  folder: string
  records: string
  isChecksumFile: (name: string) => boolean
}) {
  const records = isInside(options.folder, options.records)
    ? nameWithin(options.folder, options.records)
    : undefined
  const recordsAreHere = options.records === options.folder
  const hidden = (name: string) => name.split('/').some((segment) => segment.startsWith('.'))
  const ours = (name: string) =>
    isSheet(name) ||
    name === SETTINGS_FILE ||
    (records !== undefined && (name === records || name.startsWith(`${records}/`))) ||
    (recordsAreHere && /^(ledger\.|catalogue\.json|reserve|lock)/.test(name))
  const isSeen = (name: string) => !hidden(name) && !ours(name) && !OF_THE_SYSTEM.test(name)
  return {
    kindOf(name: string): FileKind {
      if (!isSeen(name) || wordsForNever(name) !== undefined || controlledBy(name) !== undefined)
        return 'never'
      if (options.isChecksumFile(name)) return 'checksums'
      const isNamedDocument = DOCUMENT.test(name) || isOfOffice(name)
      return isNamedDocument ? 'perhaps a document' : 'image'
    },
    mayHoldImages: (folderName: string): boolean =>
      !hidden(folderName) &&
      !ours(folderName) &&
      !FOLDER_OF_THE_SYSTEM.test(folderName) &&
      wordsForFolder(folderName) === undefined,
    /** A file of this name concerns a person, be it offered or not. */
    isSeen,
  }
}

/** True when a file with a document's extension begins as its extension says; else it is an image. */
export function isDocument(name: string, head: Uint8Array): boolean {
  const begins = Buffer.from(head)
  if (/\.pdf$/i.test(name)) return begins.subarray(0, 1024).includes('%PDF-')
  if (isOfOffice(name) && OFFICE_MARKS.some((mark) => begins.subarray(0, mark.length).equals(mark)))
    return true
  return isText(head)
}

/** Zip, as office programs of today pack their files, and the compound file of older ones ([MS-CFB] 2.2). */
const OFFICE_MARKS = [Buffer.from('PK\u0003\u0004'), Buffer.from('d0cf11e0a1b11ae1', 'hex')]

function isOfOffice(name: string): boolean {
  return SPREADSHEET.test(name) || OFFICE.test(name)
}

export function isText(head: Uint8Array): boolean {
  const utf16 = (head[0] === 0xff && head[1] === 0xfe) || (head[0] === 0xfe && head[1] === 0xff)
  if (utf16) return true
  // Control characters that text has: tab, line feed, form feed, carriage return, escape. Copying brings others in.
  const strange = head.filter((byte) => byte < 0x20 && ![0x09, 0x0a, 0x0c, 0x0d, 0x1b].includes(byte))
  return !strange.includes(0) && strange.length <= head.length / 50
}
