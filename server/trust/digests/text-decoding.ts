/**
 * The bytes of a text as characters, and these without what tools and consoles add. UTF-8 with or without a byte order
 * mark, or UTF-16, which Windows shells write (common practice). Bytes that are not UTF-8 become U+FFFD, as they do in
 * the names that Node gives for such files.
 */
import { utf16Text } from '../../files/utf16.ts'
import { ALGORITHM_FACTS } from './algorithm.ts'
import { labelIn } from './labels.ts'

/** Text of `content`, without byte order mark. */
export function decodeText(content: Uint8Array): string {
  return utf16Text(content) ?? new TextDecoder().decode(content)
}

// ECMA-48 §5.4: control sequences, by which consoles colour their output; the length is bounded.
// biome-ignore lint/suspicious/noControlCharactersInRegex: removing control sequences is the purpose
const CONTROL_SEQUENCE = /\u001b\[[0-?]{0,32}[ -/]{0,8}[@-~]/g
const LINE_END = /\r+\n|[\r\v\f\u0085\u2028\u2029]/g
// biome-ignore lint/suspicious/noControlCharactersInRegex: removing control characters is the purpose
const UNSEEN = /[\u0000-\u0008\u000e-\u001f\u007f\u00ad\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff]/g
const BLANKS = /[\u00a0\u2000-\u200a\u202f\u3000]/g

/** Without escape sequences and invisible characters; lines end in `\n`; digests in base64 are written in hex. */
export function tidied(text: string): string {
  return text
    .replace(CONTROL_SEQUENCE, '')
    .replace(LINE_END, '\n')
    .replace(UNSEEN, '')
    .replace(BLANKS, ' ')
    .replace(BASE64, hexOfBase64)
}

/** Pages saved as HTML, as text: cells become tabs, other tags blanks; line ends stay, so that lines can be told. */
export function withoutTags(text: string): string {
  if (!/<\/?(?:td|p|a|li|code|br|pre|div|span)\b/i.test(text)) return text
  return text
    .replace(/<\/?(?:td|th)\b[^<>\n]{0,1000}>/gi, '\t')
    .replace(
      /<\/?(?:a|b|br|code|div|dd|dt|dl|em|h\d|hr|i|kbd|li|ol|p|pre|samp|span|strong|table|tbody|thead|tr|tt|ul)\b[^<>\n]{0,1000}>/gi,
      ' ',
    )
    .replace(/&nbsp;|&#160;/gi, ' ')
    .replace(/&amp;/gi, '&')
}

/** What stands before `at` on its line; the last `most` characters of it, so that no long line is read again and again. */
export function lineBefore(text: string, at: number, most: number): string {
  const before = text.slice(Math.max(0, at - most), at)
  return before.slice(before.lastIndexOf('\n') + 1)
}

/** RFC 4648 §4, of 16 to 64 bytes: the lengths of digests. */
const BASE64 =
  /(?<![A-Za-z0-9+/=])(?:[A-Za-z0-9+/]{22}==|[A-Za-z0-9+/]{27}=|[A-Za-z0-9+/]{38}==|[A-Za-z0-9+/]{43}=|[A-Za-z0-9+/]{64}|[A-Za-z0-9+/]{86}==)(?![A-Za-z0-9+/=])/g
const LABEL_WITHIN = 512

/** Only where an algorithm of that length is named before it on its line: keys and tokens look the same. */
function hexOfBase64(word: string, at: number, text: string): string {
  const { algorithm } = labelIn(lineBefore(text, at, LABEL_WITHIN)) ?? {}
  if (algorithm === undefined || /^[0-9A-Fa-f]+$/.test(word)) return word
  const hex = Buffer.from(word, 'base64').toString('hex')
  return hex.length === ALGORITHM_FACTS[algorithm].digits ? hex : word
}
