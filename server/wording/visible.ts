/**
 * Text from outside made fit to be seen: control characters, direction overrides and invisible characters become
 * visible escapes, so that no file name or user agent can move the cursor, colour a line or turn it round.
 */
import { characterWidth, isPlain, textWidth } from './text-width.ts'

// C0 and C1 controls; what fonts leave out unless they know better (Unicode, Default_Ignorable_Code_Point, in
// DerivedCoreProperties.txt: zero-width and direction characters, fillers, selectors, tags); line and paragraph
// separators, interlinear marks, lone surrogates. A pictograph may keep its selector.
const INVISIBLE =
  /(?<!\p{Extended_Pictographic})[\ufe0e\ufe0f]|(?![\ufe0e\ufe0f])\p{Default_Ignorable_Code_Point}|[\p{Cc}\p{Cs}\u2028\u2029\ufff9-\ufffb]/gu

/** Code points of one cluster (UAX #29) that are shown as such: a line is broken at no place inside it, so it widens a table. */
const CLUSTER_AT_MOST = 10
const MAYBE_LONG = /[\u0300-\u{10ffff}]{10}/u
const clusters = new Intl.Segmenter('en', { granularity: 'grapheme' })

/** `\n` becomes `\x0a`, a right-to-left override `\u{202e}`; a backslash stays as it is. */
export function visible(text: string): string {
  if (isPlain(text)) return text
  const shown = text.replace(INVISIBLE, escaped)
  if (!MAYBE_LONG.test(shown)) return shown
  return Array.from(clusters.segment(shown), ({ segment }) => {
    const points = [...segment]
    return points.slice(0, CLUSTER_AT_MOST).concat(points.slice(CLUSTER_AT_MOST).map(escaped)).join('')
  }).join('')
}

function escaped(character: string): string {
  const code = character.codePointAt(0) ?? 0
  return code < 0x100 ? `\\x${code.toString(16).padStart(2, '0')}` : `\\u{${code.toString(16)}}`
}

/** Visible, and at most `columns` wide: the middle is left out, since both ends tell names apart. */
export function shortened(text: string, columns: number): string {
  if (text.length <= columns && isPlain(text)) return text
  const shown = visible(text)
  if (textWidth(shown) <= columns) return shown
  const characters = [...shown]
  const head = beginningOf(characters, Math.ceil((columns - 1) / 2))
  const tail = beginningOf(characters.reverse(), Math.floor((columns - 1) / 2)).reverse()
  return `${head.join('')}…${tail.join('')}`
}

/** `a, b, c and 2 more`, each made visible. */
export function listed(names: readonly string[], atMost: number): string {
  const named = names.slice(0, atMost).map(visible).join(', ')
  const more = names.length - atMost
  return more > 0 ? `${named} and ${more} more` : named
}

/** As many characters as take no more than `columns`. */
function beginningOf(characters: readonly string[], columns: number): string[] {
  let width = 0
  const end = characters.findIndex((character) => {
    width += characterWidth(character)
    return width > columns
  })
  return characters.slice(0, end)
}

/** A CSV field that no spreadsheet takes for a formula (common practice: a leading apostrophe). */
export function disarmed(text: string): string {
  const shown = visible(text)
  return /^[=+\-@\t\r]/.test(shown) && !/^-?\d+(\.\d+)?$/.test(shown) ? `'${shown}` : shown
}
