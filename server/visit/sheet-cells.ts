/**
 * What spreadsheets and copying do to cells: some of it can be taken back, all of it is named. A cell keeps its value
 * where there is only a guess.
 */
import type { SheetColumn } from './sheet-columns.ts'
import { deviceKey, type RawRow, type Say } from './sheet-rows.ts'

const AS_TEXT = 'Format the column as text and enter it again.'

/** The cell without what a spreadsheet or copying put around its value, and what that was. */
export function cleanCell(raw: string): { readonly text: string; readonly said?: string } {
  const formula = /^\s*="([^"]*)"\s*$/.exec(raw)?.[1]
  if (formula !== undefined) {
    return { text: formula, said: `${quote(raw)} is a formula; it is read as ${quote(formula)}. ${AS_TEXT}` }
  }
  const text = raw.replace(UNSEEN, '')
  const unseen = raw.match(UNSEEN)?.[0]
  if (unseen !== undefined && text.trim() !== '') {
    const code = `U+${(unseen.codePointAt(0) ?? 0).toString(16).toUpperCase().padStart(4, '0')}`
    const said = `There is a character in it that cannot be seen (${code}); it is read as ${quote(text.trim())}. Type the cell again.`
    return { text, said }
  }
  const quoted = /^\s*'(\S.*)$/s.exec(text)?.[1]
  // In pairs they belong to the text.
  if (quoted !== undefined && !quoted.includes("'")) {
    return {
      text: quoted,
      said: `It begins with an apostrophe, as spreadsheets mark text; it is read as ${quote(quoted)}.`,
    }
  }
  return { text }
}

/** Control and format characters (Unicode's Cc and Cf) but for tab and the ends of lines. */
const UNSEEN = /(?![\t\n\r\u0085])[\p{Cc}\p{Cf}]/gu

const MONTHS =
  'jan|feb|mar|mär|mrz|apr|avr|may|mai|jun|juin|jul|juil|aug|ago|aoû|sep|set|oct|okt|nov|dec|dez|déc|ene|abr|dic'
/** `2/4/2001`, `4-Feb-01`, `4. Feb`, `Feb-01`, `2001-02-04 00:00:00`. */
const DATES = [
  /^\d{1,2}\/\d{1,2}\/(\d{2}|\d{4})( 0?0:00(:00)?)?$/,
  /^\d{4}-\d{2}-\d{2} 0?0:00(:00)?$/,
  new RegExp(`^\\d{1,2}[-. /]{1,2}(${MONTHS})\\p{L}*\\.?([-. /]{1,2}(\\d{2}|\\d{4}))?$`, 'iu'),
  new RegExp(`^(${MONTHS})\\p{L}*\\.?[-. /]{1,2}\\d{1,4}$`, 'iu'),
]
const VERSIONS: ReadonlySet<string> = new Set<SheetColumn>(['version_before', 'version_target'])
/** What is likely damaged in a cell of a known column. */
export function damageOf(column: string, cell: string): string | undefined {
  const text = cell.trim()
  if (text === '') return undefined
  // A long number turned into 1.23E+11, as spreadsheets do with serials and hardware addresses.
  if (/^\d+([.,]\d+)?E\+\d+$/i.test(text)) {
    return `${quote(text)} looks like a number that the spreadsheet has shortened. ${AS_TEXT}`
  }
  if (/^#+$|^#(REF|VALUE|NAME|N\/A|DIV\/0)[!?]?$/i.test(text)) {
    return `${quote(text)} is what a spreadsheet shows in the place of a value. Enter the value itself.`
  }
  if (DATES.some((date) => date.test(text)) && (VERSIONS.has(column) || /\p{L}/u.test(text))) {
    return `${quote(text)} looks like a date that the spreadsheet made of something else. ${AS_TEXT}`
  }
  if (VERSIONS.has(column) && /^\d+,\d+$/.test(text)) {
    return `${quote(text)} looks like a number with a comma that the spreadsheet made of a version. ${AS_TEXT}`
  }
  return undefined
}

/** Serial numbers that are digits alone, and fewer of them than others have. */
export function sayLostZeros(rows: readonly RawRow[], say: Say): void {
  const serialOf = ({ cells }: RawRow): string => cells.serial?.trim() ?? ''
  const digits = new Set(rows.map(serialOf).flatMap((serial) => (/^0\d+$/.test(serial) ? serial.length : [])))
  const [length] = digits
  if (length === undefined || digits.size > 1) return
  for (const each of rows) {
    const serial = serialOf(each)
    const isShort = /^[1-9]\d*$/.test(serial) && serial.length < length
    if (!isShort || deviceKey(each.cells.device ?? '') === '') continue
    const said = `${quote(serial)} may have lost the zeros at its beginning: other serial numbers here have ${length} digits. ${AS_TEXT}`
    say(each.row, 'serial', said)
  }
}

/** At most 60 characters of a cell, in quotation marks. */
export function quote(text: string | null): string {
  const whole = text ?? ''
  return `"${whole.length > 60 ? `${whole.slice(0, 60)}…` : whole}"`
}
