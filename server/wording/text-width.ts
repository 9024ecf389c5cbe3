/** How many columns of a terminal a text takes, and how it is broken into lines that fit. */

/** Nothing but printable ASCII, as most text. A loop, since a regular expression takes twice as long. */
export function isPlain(text: string): boolean {
  for (let at = 0; at < text.length; at += 1) {
    const code = text.charCodeAt(at)
    if (code < 0x20 || code > 0x7e) return false
  }
  return true
}

/** Shown over two columns: East Asian scripts and pictures (Unicode UAX #11, wide and fullwidth; from memory). */
const WIDE =
  /[\u1100-\u115f\u231a-\u231b\u2329-\u232a\u23e9-\u23f3\u25fd-\u25fe\u2614-\u27bf\u2b1b-\u2b55\u2e80-\ua4cf\ua960-\ua97c\uac00-\ud7a3\uf900-\ufaff\ufe10-\ufe19\ufe30-\ufe6f\uff00-\uff60\uffe0-\uffe6\u{16fe0}-\u{18aff}\u{1aff0}-\u{1b2ff}\u{1f004}-\u{1faff}\u{20000}-\u{3fffd}]/u
/** Laid over the character before it. */
const OVERLAID = /^[\p{Mn}\p{Me}]$/u
/** Our own colours; of what comes from outside the escape character is made visible. */
// biome-ignore lint/suspicious/noControlCharactersInRegex: they take no room
const COLOUR = /\u001b\[[\d;]*m/g

export function characterWidth(character: string): number {
  return WIDE.test(character) ? 2 : OVERLAID.test(character) ? 0 : 1
}

export function textWidth(text: string): number {
  if (isPlain(text)) return text.length
  let width = 0
  for (const character of text.replace(COLOUR, '')) width += characterWidth(character)
  return width
}

/** A number and its unit are one. */
const WORDS = /( *)([^ ]*\d (?:s|min|h|%|bytes|[kMGT]?B(?:\/s)?|[MG]b\/s)(?![^ ,;.)])[^ ]*|[^ ]+)/g

/**
 * Lines of at most `columns`, broken between words; those after the first begin with `indent` spaces. A word that is
 * wider than that stays whole, alone on a line, so that it can be copied.
 */
export function wrapped(text: string, columns: number, indent = 0): string[] {
  if (textWidth(text) <= columns) return [text]
  const lines: string[] = []
  let line = /^ */.exec(text)?.[0] ?? ''
  let width = line.length
  let isBegun = false
  for (const [, gap = '', word = ''] of text.trimStart().matchAll(WORDS)) {
    const wordWidth = textWidth(word)
    if (isBegun && width + gap.length + wordWidth > columns) {
      lines.push(line)
      line = indent + wordWidth > columns ? '' : ' '.repeat(indent)
      width = line.length
      isBegun = false
    }
    const room = isBegun ? gap : ''
    line += room + word
    width += room.length + wordWidth
    isBegun = true
  }
  return [...lines, line]
}
