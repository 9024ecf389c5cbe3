/**
 * Documents under an image's name: a saved login page, an error answer, a note. HTML is recognised as browsers
 * do (WHATWG MIME Sniffing §7.1: the first tag after white space), XML by its declaration, JSON by parsing.
 */
import { decodeText } from '../digests/text.ts'
import type { ByteSource } from './source.ts'

export type DocumentKind = 'HTML' | 'XML' | 'JSON' | 'text' | 'script'

const HTML_START =
  /^<(?:!doctype html|html|head|script|iframe|h1|div|font|table|a|style|title|b|body|br|p|meta)(?:[\s/>]|$)|^<!--/i
const SAMPLE_BYTES = 64 * 1024
/** Pages, answers and notes are small; a longer text is left alone. */
export const MAX_DOCUMENT_BYTES = 1024 * 1024

/** What document the bytes are, or undefined when they are none. */
export function documentKind(source: ByteSource): DocumentKind | undefined {
  const text = textOf(source.read(0, SAMPLE_BYTES))
  if (text === undefined) return undefined
  const start = text.trimStart()
  if (start.startsWith('#!')) return 'script'
  if (HTML_START.test(start)) return 'HTML'
  if (start.startsWith('<?xml')) return /<html[\s>]/i.test(start.slice(0, 2048)) ? 'HTML' : 'XML'
  const tail = source.read(Math.max(0, source.bytes - SAMPLE_BYTES), SAMPLE_BYTES)
  if (source.bytes > SAMPLE_BYTES && !isText(tail)) return undefined
  if (/^[[{]/.test(start) && isJson(source)) return 'JSON'
  return start === '' ? undefined : 'text'
}

/** UTF-8 or UTF-16 text without control characters; undefined for anything else. */
function textOf(bytes: Buffer): string | undefined {
  const isUtf16 = ['fffe', 'feff'].includes(bytes.toString('hex', 0, 2))
  const text = decodeText(bytes)
  return (isUtf16 ? !hasControls(text) : isText(bytes)) ? text : undefined
}

/** A sample may begin and end within a character: up to three bytes are let go at either side. */
function isText(bytes: Buffer): boolean {
  let from = 0
  while (from < Math.min(3, bytes.length) && ((bytes[from] ?? 0) & 0xc0) === 0x80) from += 1
  for (let cut = 0; cut <= 3 && from + cut <= bytes.length; cut += 1) {
    try {
      const text = new TextDecoder('utf-8', { fatal: true }).decode(bytes.subarray(from, bytes.length - cut))
      return !hasControls(text)
    } catch {
      // not valid up to here: a character may be cut off at the end of the sample
    }
  }
  return latin1Text(bytes)
}

/** Older pages in ISO 8859: mostly letters, and none of the C1 controls that binary data is full of. */
function latin1Text(bytes: Buffer): boolean {
  let high = 0
  for (const byte of bytes) {
    if (byte >= 0x80 && byte < 0xa0) return false
    if (byte >= 0xa0) high += 1
  }
  return high < bytes.length / 10 && !hasControls(bytes.toString('latin1'))
}

function hasControls(text: string): boolean {
  // biome-ignore lint/suspicious/noControlCharactersInRegex: control characters are what is looked for
  return /[\0-\x08\x0e-\x1a\x1c-\x1f\x7f]/.test(text)
}

function isJson(source: ByteSource): boolean {
  if (source.bytes > MAX_DOCUMENT_BYTES) return false
  try {
    JSON.parse(decodeText(source.read(0, source.bytes)))
    return true
  } catch {
    return false
  }
}
