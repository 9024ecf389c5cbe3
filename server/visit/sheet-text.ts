/** The bytes of a visit sheet as text: UTF-8 with or without BOM, UTF-16 as spreadsheets save it, or an older code. */

interface DecodedSheet {
  readonly text: string
  /** The bytes were neither UTF-8 nor UTF-16: accented letters may be wrong. */
  readonly guessedEncoding: boolean
}

/** Bytes looked at for UTF-16 without a BOM. */
const PROBE_BYTES = 512

/** Never throws. */
export function decodeSheet(bytes: Uint8Array): DecodedSheet {
  if (bytes[0] === 0xff && bytes[1] === 0xfe) return exact(utf16(bytes.subarray(2), false))
  if (bytes[0] === 0xfe && bytes[1] === 0xff) return exact(utf16(bytes.subarray(2), true))
  const zeros = zerosByPlace(bytes.subarray(0, PROBE_BYTES))
  if (zeros !== undefined) return exact(utf16(bytes, zeros === 'first'))
  try {
    return exact(new TextDecoder('utf-8', { fatal: true }).decode(bytes))
  } catch {
    return { text: older(bytes), guessedEncoding: true }
  }
}

function exact(text: string): DecodedSheet {
  return { text, guessedEncoding: false }
}

/** By hand: Node built with a small ICU knows no big-endian UTF-16. */
function utf16(bytes: Uint8Array, bigEndian: boolean): string {
  const even = Buffer.from(bytes.subarray(0, bytes.length - (bytes.length % 2)))
  if (bigEndian) even.swap16()
  return even.toString('utf16le')
}

/** Where most zero bytes stand when the text looks like UTF-16 of mostly Latin letters. */
function zerosByPlace(bytes: Uint8Array): 'first' | 'second' | undefined {
  const pairs = Math.floor(bytes.length / 2)
  if (pairs < 4) return undefined
  let first = 0
  let second = 0
  for (let at = 0; at < pairs * 2; at += 2) {
    if (bytes[at] === 0) first += 1
    if (bytes[at + 1] === 0) second += 1
  }
  if (second > pairs * 0.6 && first === 0) return 'second'
  return first > pairs * 0.6 && second === 0 ? 'first' : undefined
}

/** Windows-1252, the usual one of spreadsheets of Western Europe (common practice); else Latin-1. */
function older(bytes: Uint8Array): string {
  try {
    return new TextDecoder('windows-1252').decode(bytes)
  } catch {
    return Buffer.from(bytes).toString('latin1')
  }
}
