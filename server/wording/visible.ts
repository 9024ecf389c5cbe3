/**
 * Text from outside made fit to be seen: control characters, direction overrides and invisible characters become
 * visible escapes, so that no file name or user agent can move the cursor, colour a line or turn it round.
 */

// C0 and C1 controls; what fonts leave out unless they know better (Unicode, Default_Ignorable_Code_Point, in
// DerivedCoreProperties.txt: zero-width and direction characters, fillers, selectors, tags); line and paragraph
// separators, interlinear marks, lone surrogates. A pictograph may keep its selector.
const INVISIBLE =
  /(?<!\p{Extended_Pictographic})[\ufe0e\ufe0f]|(?![\ufe0e\ufe0f])\p{Default_Ignorable_Code_Point}|[\p{Cc}\p{Cs}\u2028\u2029\ufff9-\ufffb]/gu

/** Code points of one cluster (UAX #29) that are shown as such: a line is broken at no place inside it, so it widens a table. */
const CLUSTER_AT_MOST = 10
const MAYBE_LONG = /[\u0300-\u{10ffff}]{10}/u
const clusters = new Intl.Segmenter('en', { granularity: 'grapheme' })

/** Nothing but printable ASCII, as most text: it needs neither escapes nor counting. A loop, since a regular expression takes twice as long. */
export function isPlain(text: string): boolean {
  for (let at = 0; at < text.length; at += 1) {
    const code = text.charCodeAt(at)
    if (code < 0x20 || code > 0x7e) return false
  }
  return true
}

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

/** Visible, and at most `columns` characters long: the middle is left out, since both ends tell names apart. */
export function shortened(text: string, columns: number): string {
  if (text.length <= columns && isPlain(text)) return text
  const characters = [...visible(text)]
  if (characters.length <= columns) return characters.join('')
  const head = Math.ceil((columns - 1) / 2)
  const tail = Math.floor((columns - 1) / 2)
  return `${characters.slice(0, head).join('')}…${tail > 0 ? characters.slice(-tail).join('') : ''}`
}

/** A CSV field that no spreadsheet takes for a formula (common practice: a leading apostrophe). */
export function disarmed(text: string): string {
  const shown = visible(text)
  return /^[=+\-@\t\r]/.test(shown) && !/^-?\d+(\.\d+)?$/.test(shown) ? `'${shown}` : shown
}
