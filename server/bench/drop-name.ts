/**
 * The name under which a dropped file may stand in the staging folder: one path segment that every system takes,
 * and never one of our own files.
 */
import { FetchproofError } from '../errors.ts'
import { createOfferRule, SHEET_FILE } from '../staging/offered-names.ts'
import { isChecksumFile } from '../trust/published/names.ts'

const BYTES_AT_MOST = 200
// What Windows does not take in a name, and control characters (Microsoft Learn, "Naming Files, Paths, and
// Namespaces"); each becomes a hyphen.
// biome-ignore lint/suspicious/noControlCharactersInRegex: taking control characters out is the purpose
const NOT_IN_NAMES = /[<>:"|?*\u0000-\u001f\u007f]|\p{Surrogate}/gu
// Superscript digits and blanks before the full stop count too (the same source).
const DEVICE_NAME = /^(con|prn|aux|nul|conin\$|conout\$|com[\d¹²³]|lpt[\d¹²³]) *(\..*)?$/i

/** `records` is the folder of the ledger, absolute. Throws FP_DROP_NAME. */
export function dropName(given: string, folder: string, records: string): string {
  const last = given.split(/[/\\]/).at(-1) ?? ''
  const name = last
    .replace(NOT_IN_NAMES, '-')
    .replace(/[. ]+$/, '')
    .trim()
  const refuse = (why: string): never => {
    throw new FetchproofError('FP_DROP_NAME', { file: given.slice(0, 256), why })
  }
  if (name === '') return refuse('no name is left of it')
  if (name.startsWith('.')) return refuse('a name that begins with a full stop is hidden and never offered')
  if (DEVICE_NAME.test(name)) return refuse('some systems keep this name for themselves')
  if (Buffer.byteLength(name) > BYTES_AT_MOST) return refuse(`it is longer than ${BYTES_AT_MOST} bytes`)
  if (name !== SHEET_FILE && createOfferRule({ folder, records, isChecksumFile }).kindOf(name) === 'never') {
    return refuse('files of this name are never offered')
  }
  return name
}
