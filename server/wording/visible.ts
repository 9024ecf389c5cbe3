/**
 * Text from outside made fit to be seen: control characters, direction overrides and invisible characters become
 * visible escapes, so that no file name or user agent can move the cursor, colour a line or turn it round.
 */

// C0 and C1 controls, soft hyphen, Arabic letter mark, zero-width and direction characters (Unicode UAX #9),
// line and paragraph separators, invisible operators, byte order mark, interlinear marks, tags, lone surrogates.
const INVISIBLE =
  // biome-ignore lint/suspicious/noControlCharactersInRegex: making control characters visible is the purpose
  /[\u0000-\u001f\u007f-\u009f\u00ad\u061c\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb\u{e0000}-\u{e007f}]|\p{Surrogate}/gu

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
  return text.replace(INVISIBLE, (character) => {
    const code = character.codePointAt(0) ?? 0
    return code < 0x100 ? `\\x${code.toString(16).padStart(2, '0')}` : `\\u{${code.toString(16)}}`
  })
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
