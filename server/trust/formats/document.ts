/**
 * Documents under an image's name: a saved login page, an error answer, a note. HTML is recognised as browsers
 * do (WHATWG MIME Sniffing §7.1: the first tag after white space), XML by its declaration, JSON by parsing.
 */
import { isUtf8 } from 'node:buffer'
import { decodeText } from '../digests/text-decoding.ts'
import { type CheckedFormat, notSound } from './format-finding.ts'
import type { ByteSource } from './source.ts'

type DocumentKind = 'HTML' | 'XML' | 'JSON' | 'text' | 'script'

const OWN_EXTENSIONS: Readonly<Record<DocumentKind, readonly string[]>> = {
  HTML: ['htm', 'html', 'xhtml'],
  XML: ['xml', 'svg', 'xhtml', 'xslt'],
  JSON: ['json'],
  text: [],
  script: ['sh', 'run', 'py', 'pl', 'tcl'],
}
/** Extensions of files that are text by intent (common practice). */
const TEXT = new Set(
  'asc bat bsh cer cfg cnf conf config crt csr csv dts dtsi env gpg htm html ini ios js json key lic license log lst lua md pem pl pub py rb rsc scr script sh sig sls sql svf svg tcl text tftp toml tsv txt xml xslt yaml yml'.split(
    ' ',
  ),
)

/** Extensions under which devices' images come (common practice). */
const FIRMWARE = new Set(
  'app bin boot chk dat efi elf exe fit flash fs fw fwb fwi gz hex ihex image img initrd ipk iso itb jffs2 kernel mot ova pkg qcow2 rom s19 s28 s37 sfs sqsh squashfs srec swu sys tar tgz tbz tbz2 trx txz ubi ubifs uboot uimage upd update upg vmdk xz bz2 zip zst dtb deb rpm msi run'.split(
    ' ',
  ),
)

const HTML_START =
  /^<(?:!doctype html|html|head|script|iframe|h1|div|font|table|a|style|title|b|body|br|p|meta)(?:[\s/>]|$)|^<!--/i
const SAMPLE_BYTES = 64 * 1024
/** Pages, answers and notes are small; a longer text is left alone. */
const MAX_DOCUMENT_BYTES = 1024 * 1024

/**
 * A page under any name but its own is no image. XML and JSON are none where a file has an extension that is
 * not one of text; plain text only under an extension of firmware, since devices take configurations too.
 * Undefined: the bytes are no document.
 */
export function judgeDocument(source: ByteSource, extension: string): CheckedFormat | undefined {
  const kind = documentKind(source)
  if (kind === undefined) return undefined
  const isWhatItSays = OWN_EXTENSIONS[kind].includes(extension)
  const textual = TEXT.has(extension)
  if (kind === 'HTML' && !isWhatItSays)
    return notSound(kind, 'not firmware', 'a page, such as a login page saved in its place')
  const wrong =
    kind === 'text'
      ? source.bytes <= MAX_DOCUMENT_BYTES && isFirmware(extension)
      : (kind === 'XML' || kind === 'JSON') && extension !== '' && !textual
  if (wrong) return notSound(kind, 'not firmware', `${kind}, such as an error answer saved in its place`)
  const notes = isWhatItSays || textual || kind === 'script' ? [] : [`This is ${kind}, not binary data.`]
  return notSound(kind, 'unknown', `${kind}: nothing in it can be checked.`, notes)
}

/** Numbers count too: a version at the end of a name looks like an extension. */
function isFirmware(extension: string): boolean {
  return FIRMWARE.has(extension) || /^\d+$/.test(extension)
}

function documentKind(source: ByteSource): DocumentKind | undefined {
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
    const sample = bytes.subarray(from, bytes.length - cut)
    if (isUtf8(sample)) return !hasControls(sample.toString())
  }
  return isLatin1Text(bytes)
}

/** Older pages in ISO 8859: mostly letters, and none of the C1 controls that binary data is full of. */
function isLatin1Text(bytes: Buffer): boolean {
  if (bytes.some((byte) => byte >= 0x80 && byte < 0xa0)) return false
  const high = bytes.filter((byte) => byte >= 0xa0).length
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
