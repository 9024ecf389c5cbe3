/**
 * Whether a word of eight digits is said to be a CRC-32. Consoles print eight digits for addresses, sizes, dates and
 * serial numbers too (common practice), and on one line with a CRC: `crc32 for 82000000 ... 827fffff ==> 3fa94c21`.
 */
import type { HexPiece } from '../digests/hex-words.ts'
import { lineBefore } from '../digests/text-decoding.ts'

/** Further back a label is not looked for: no console prints as much between it and its value. */
const LABEL_WITHIN = 120
/** What says that the value is of something else, right before it, with a word like "number" between. */
const OTHER_LABEL =
  /\b(?:addr\w*|at|bytes?|dates?|built|end|entry|for|from|ids?|len\w*|load\w*|mac|offset|over|serial|s\/?n|sizes?|start|to|uuid|guid|version)\b[^0-9a-z]*(?:(?:address|date|id|no|number|of|size)\b[^0-9a-z]*)?$/i
const LONG_HEX = /\b(?:0x)?[0-9a-f]{6,}\b/gi

/** A label before it, an arrow, or a label behind it in brackets. */
export function isNamedCrc(text: string, { start, end }: HexPiece): boolean {
  const before = wordsBefore(text, start)
  if (/==>[ \t]*$/.test(before)) return true
  const label = /^.*crc(?:[-_ ]?32)?(.*)$/i.exec(before)
  if (label === null) return isNamedBehind(text, end)
  return leadsTo(label[1] ?? '')
}

/** From the label to the value: nothing that names another thing, and no other number unless a sign ends it. */
function leadsTo(between: string): boolean {
  const number = [...between.matchAll(LONG_HEX)].at(-1)
  if (number !== undefined) {
    return /^[)\]"']?[ \t]*(?:[:=]|=?=>|->|\u2192|is)[ \t]*$/.test(
      between.slice(number.index + number[0].length),
    )
  }
  return !/[;,]/.test(between) && !OTHER_LABEL.test(between)
}

/** `3fa94c21 (crc)`, but not `82000000 crc 3fa94c21`. */
function isNamedBehind(text: string, end: number): boolean {
  return /^[ \t]{0,2}\(?crc(?:[-_ ]?32)?\b(?![ \t]*[:=]?[ \t]*(?:0x)?[0-9a-f]{8})/i.test(
    text.slice(end, end + 32),
  )
}

/** `S/N: …`, `UUID …`: a number of digest's length that is called something else. */
export function isNamedOtherwise(text: string, { start }: HexPiece): boolean {
  return /\b(?:serial|s\/?n|uuid|guid|mac|address|chip[ -]?id|device[ -]?id)\b[^0-9a-z]*(?:(?:address|id|no|number)\b[^0-9a-z]*)?$/i.test(
    wordsBefore(text, start),
  )
}

function wordsBefore(text: string, start: number): string {
  return lineBefore(text, start, LABEL_WITHIN).replace(/(?:0x)?["'`([{<]?$/i, '')
}
