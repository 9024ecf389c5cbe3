/** The bytes of a visit sheet as text: UTF-8 with or without BOM, UTF-16 as spreadsheets save it, or an older code. */
import { utf16Text } from '../files/utf16.ts'

interface DecodedSheet {
  readonly text: string
  /** The bytes were neither UTF-8 nor UTF-16: accented letters may be wrong. */
  readonly guessedEncoding: boolean
}

/** Never throws. */
export function decodeSheet(bytes: Uint8Array): DecodedSheet {
  try {
    const text = utf16Text(bytes) ?? new TextDecoder('utf-8', { fatal: true }).decode(bytes)
    return { text, guessedEncoding: false }
  } catch {
    return { text: older(bytes), guessedEncoding: true }
  }
}

/** Windows-1252, the usual one of spreadsheets of Western Europe (common practice); else Latin-1. */
function older(bytes: Uint8Array): string {
  try {
    return new TextDecoder('windows-1252').decode(bytes)
  } catch {
    return Buffer.from(bytes).toString('latin1')
  }
}
