/**
 * The bytes of a checksum file as text: UTF-8 with or without a byte order mark, or UTF-16, which Windows
 * shells write (common practice). Bytes that are not UTF-8 become U+FFFD, as they do in the names that Node
 * gives for such files.
 */

/** Text of `content`, without byte order mark. */
export function decodeText(content: Uint8Array): string {
  const [first, second] = content
  if (first === 0xff && second === 0xfe) return new TextDecoder('utf-16le').decode(content)
  if (first === 0xfe && second === 0xff) return decodeBigEndian(content.subarray(2))
  if (looksLikeUtf16(content)) return new TextDecoder('utf-16le').decode(content)
  return new TextDecoder('utf-8').decode(content)
}

// Node built with small ICU data has no utf-16be decoder.
function decodeBigEndian(content: Uint8Array): string {
  const swapped = Buffer.from(content.subarray(0, content.length & ~1))
  return new TextDecoder('utf-16le').decode(swapped.swap16())
}

/** UTF-16 without a mark: digits and names are ASCII, so every second byte is zero. */
function looksLikeUtf16(content: Uint8Array): boolean {
  const sample = content.subarray(0, 64)
  if (sample.length < 4) return false
  let zeros = 0
  for (let at = 1; at < sample.length; at += 2) if (sample[at] === 0) zeros += 1
  return zeros > sample.length / 4 && sample[0] !== 0
}
