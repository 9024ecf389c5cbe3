/** UTF-16, which spreadsheets and Windows shells write with and without a byte order mark (common practice). */

const SAMPLE_BYTES = 512

/** Without the mark; undefined when the bytes are not UTF-16. Never throws. */
export function utf16Text(bytes: Uint8Array): string | undefined {
  const order = markOf(bytes)
  if (order !== undefined) return decoded(bytes.subarray(2), order)
  const told = orderByZeros(bytes.subarray(0, SAMPLE_BYTES))
  return told === undefined ? undefined : decoded(bytes, told)
}

type Order = 'little' | 'big'

function markOf([first, second]: Uint8Array): Order | undefined {
  if (first === 0xff && second === 0xfe) return 'little'
  return first === 0xfe && second === 0xff ? 'big' : undefined
}

/** By hand: Node.js built with a small ICU knows no big-endian UTF-16. */
function decoded(bytes: Uint8Array, order: Order): string {
  const pairs = Buffer.from(bytes.subarray(0, bytes.length & ~1))
  return (order === 'big' ? pairs.swap16() : pairs).toString('utf16le')
}

/** Digits, names and most letters of Latin scripts are below U+0100: every second byte is zero, and no other. */
function orderByZeros(sample: Uint8Array): Order | undefined {
  const zeros = [0, 0]
  for (const [at, byte] of sample.entries()) if (byte === 0) zeros[at % 2] = (zeros[at % 2] ?? 0) + 1
  const [even = 0, odd = 0] = zeros
  if (sample.length < 4 || Math.max(even, odd) <= sample.length / 4 || Math.min(even, odd) > 0)
    return undefined
  return odd > even ? 'little' : 'big'
}
