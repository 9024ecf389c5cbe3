/**
 * Text that came from outside (paths, user agents, first lines, names), made fit for the ledger: bytes that are
 * not UTF-8 stay readable back as bytes, and nothing is longer than 1 KiB.
 */
import { isUtf8 } from 'node:buffer'

/** Longest string of an entry, in bytes of UTF-8, the mark of a cut included. */
export const MAX_TEXT_BYTES = 1024
/** Stands at the end of a string that was cut. */
const CUT_MARK = '…'

const CUT_MARK_BYTES = Buffer.byteLength(CUT_MARK)

/**
 * Cuts a string to at most 1 KiB of UTF-8 unless told, between two characters, with `…` at the end when anything was cut.
 * Cutting a cut string changes nothing.
 */
export function cutText(text: string, most = MAX_TEXT_BYTES): string {
  // A UTF-16 unit takes at most three bytes of UTF-8, so most strings need no counting.
  if (text.length * 3 <= most || Buffer.byteLength(text) <= most) return text
  let bytes = 0
  let kept = 0
  for (const character of text) {
    bytes += Buffer.byteLength(character)
    if (bytes > most - CUT_MARK_BYTES) break
    kept += character.length
  }
  return text.slice(0, kept) + CUT_MARK
}

/**
 * Bytes as text: what is UTF-8 (RFC 3629 §4) stays as it is, every other byte becomes `\xNN` (two lower-case hex
 * digits), and a backslash is doubled, so that the bytes can be told from the text without doubt.
 */
export function textOfBytes(bytes: Uint8Array): string {
  if (isUtf8(bytes)) return Buffer.from(bytes).toString('utf8').replaceAll('\\', '\\\\')
  let text = ''
  let from = 0
  let at = 0
  const buffer = Buffer.from(bytes.buffer, bytes.byteOffset, bytes.byteLength)
  const keep = () => buffer.toString('utf8', from, at).replaceAll('\\', '\\\\')
  while (at < buffer.length) {
    const length = sequenceLength(buffer, at)
    if (length > 0) {
      at += length
      continue
    }
    text += `${keep()}\\x${buffer.toString('hex', at, at + 1)}`
    at += 1
    from = at
  }
  return text + keep()
}

/** Length of the well-formed UTF-8 sequence at an offset, 0 when there is none. */
function sequenceLength(buffer: Buffer, at: number): number {
  const first = buffer[at] ?? 0
  const length =
    first < 0x80 ? 1 : first < 0xc2 ? 0 : first < 0xe0 ? 2 : first < 0xf0 ? 3 : first < 0xf5 ? 4 : 0
  return length > 0 && at + length <= buffer.length && isUtf8(buffer.subarray(at, at + length)) ? length : 0
}

/**
 * JSON leaves some characters bare that a terminal obeys, that turn the order of text, or that nobody sees: DEL and the
 * C1 controls (ECMA-48 §5.3), line and paragraph separators, Unicode's Default_Ignorable_Code_Point. Escaped, `cat` on
 * a ledger is harmless. They stand in JSON text only inside strings.
 */
export function escapeInvisible(json: string): string {
  return json.replace(/[\u007f-\u009f\u2028\u2029]|\p{Default_Ignorable_Code_Point}/gu, (character) =>
    Array.from(
      { length: character.length },
      (_unit, at) => `\\u${character.charCodeAt(at).toString(16).padStart(4, '0')}`,
    ).join(''),
  )
}
