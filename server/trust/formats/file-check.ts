/**
 * One file's format: what the bytes say it is, whether that holds together, and what a person should know
 * beside. Never throws on content; errors of opening and reading pass through.
 */
import { messageOf } from '../../errors.ts'
import { type Budget, CLOCK, createBudget, DEFAULT_LIMITS, type Limits, type Stopwatch } from './budget.ts'
import { type DocumentKind, documentKind, MAX_DOCUMENT_BYTES } from './document.ts'
import { bareExtensionOf, isFirmwareExtension, isTextExtension } from './extensions.ts'
import { Damage, Uncheckable } from './fault.ts'
import type { CheckedFormat, WholeFormat } from './finding.ts'
import { type KnownFormat, nearMiss, promisedBy, recognise, SIGNATURE_BYTES } from './known-formats.ts'
import { programKind } from './program.ts'
import { type ByteSource, openSource } from './source.ts'

const SMALL_CLIENT_BYTES = 2 ** 31
/** What a format pads itself with is not worth a note. */
const QUIET_PADDING_BYTES = 64 * 1024

/** Opens `file` and checks it as `name`. Throws only when the file cannot be opened or read. */
export async function checkFormat(
  file: string,
  name: string,
  limits: Limits = DEFAULT_LIMITS,
  watch: Stopwatch = CLOCK,
): Promise<CheckedFormat> {
  const source = openSource(file)
  try {
    return await checkSource(source, name, limits, watch)
  } finally {
    source.close()
  }
}

/** Checks the bytes of `source` as a file called `name`. */
export async function checkSource(
  source: ByteSource,
  name: string,
  limits: Limits = DEFAULT_LIMITS,
  watch: Stopwatch = CLOCK,
): Promise<CheckedFormat> {
  const checked = await checkBytes(source, bareExtensionOf(name), (known) =>
    checkKnown(source, known, bareExtensionOf(name), createBudget(source.bytes, limits, watch)),
  )
  const size = source.bytes < SMALL_CLIENT_BYTES ? [] : [sizeNote(source.bytes)]
  return { ...checked, notes: [...checked.notes, ...size] }
}

function sizeNote(bytes: number): string {
  return `The file has ${bytes} bytes: small clients count to 2,147,483,647 and cannot take it.`
}

async function checkBytes(
  source: ByteSource,
  extension: string,
  checkAs: (known: KnownFormat) => Promise<CheckedFormat>,
): Promise<CheckedFormat> {
  if (source.bytes === 0) {
    return {
      kind: 'empty',
      verdict: 'not firmware',
      detail: 'The file holds no bytes.',
      covers: 'nothing',
      notes: [],
    }
  }
  const head = source.read(0, SIGNATURE_BYTES)
  const known = recognise(head)
  if (known !== undefined) return checkAs(known)
  const near = nearMiss(head, extension)
  if (near !== undefined && extension !== '' && near.extensions.includes(extension)) return damagedStart(near)
  const document = documentKind(source)
  if (document !== undefined) return judgeDocument(document, source.bytes, extension)
  if (near !== undefined) return damagedStart(near)
  const program = programKind(source, extension)
  return {
    kind: program?.kind ?? 'unknown',
    verdict: 'unknown',
    detail:
      'The bytes are of no format that can be checked; only a published checksum can show that they are whole.',
    covers: 'nothing',
    notes: [...mismatchNote(program?.kind, extension), ...(program?.notes ?? [])],
  }
}

async function checkKnown(
  source: ByteSource,
  known: KnownFormat,
  extension: string,
  budget: Budget,
): Promise<CheckedFormat> {
  const { kind, check } = known
  const notes = [...mismatchNote(kind, extension), ...containerNote(known)]
  const unknown = (detail: string): CheckedFormat => ({
    kind,
    verdict: 'unknown',
    detail,
    covers: 'nothing',
    notes,
  })
  if (check === undefined) return unknown(`A ${kind}; such files are not checked here.`)
  try {
    const found = await check(source, budget)
    const { covers } = found
    const trailing = trailingNote(source, kind, found)
    const detail = found.detail === undefined ? {} : { detail: found.detail }
    return { kind, verdict: 'sound', covers, notes: [...notes, ...trailing], ...detail }
  } catch (error) {
    if (error instanceof Damage) return damaged(kind, error.message, error.atByte, notes)
    if (error instanceof Uncheckable) return unknown(error.message)
    if (error instanceof Error && 'syscall' in error) throw error
    return unknown(`The check itself failed (${messageOf(error)}); nothing is known about the file.`)
  }
}

function damagedStart({ kind }: KnownFormat): CheckedFormat {
  return damaged(kind, `the file begins almost, but not quite, as ${kind} does, or ends right there`, 0, [])
}

function damaged(kind: string, what: string, atByte: number, notes: readonly string[]): CheckedFormat {
  return { kind, verdict: 'damaged', detail: `at byte ${atByte}: ${what}`, covers: 'nothing', notes }
}

/** Bytes behind the format's own end: normal, but worth knowing unless they are a little padding. */
function trailingNote(source: ByteSource, kind: string, found: WholeFormat): string[] {
  const bytes = source.bytes - found.endsAt
  if (bytes <= 0) return []
  const tail = bytes <= QUIET_PADDING_BYTES ? source.read(found.endsAt, bytes) : undefined
  if (tail?.every((byte) => byte === tail[0] && (byte === 0 || byte === 0xff || byte === 10)) === true)
    return []
  return [
    `${bytes} bytes follow the end of the ${kind} data at byte ${found.endsAt}, as padding or a signature would.`,
  ]
}

function containerNote({ kind, container }: KnownFormat): string[] {
  if (container === undefined) return []
  return [`This is an ${container} (${kind}): some devices take it as it is, most want the image inside.`]
}

function mismatchNote(kind: string | undefined, extension: string): string[] {
  const promised = promisedBy(extension)
  if (promised === undefined || promised.kind === kind) return []
  return [`The name says .${extension} (${promised.kind}), the bytes say ${kind ?? 'something else'}.`]
}

const DOCUMENT_EXTENSIONS: Readonly<Record<DocumentKind, readonly string[]>> = {
  HTML: ['htm', 'html', 'xhtml'],
  XML: ['xml', 'svg', 'xhtml', 'xslt'],
  JSON: ['json'],
  text: [],
  script: ['sh', 'run', 'py', 'pl', 'tcl'],
}

/**
 * A page under any name but its own is no image. XML and JSON are none where a file has an extension that is
 * not one of text; plain text only under an extension of firmware, since devices take configurations too.
 */
function judgeDocument(kind: DocumentKind, bytes: number, extension: string): CheckedFormat {
  const isWhatItSays = DOCUMENT_EXTENSIONS[kind].includes(extension)
  const small = bytes <= MAX_DOCUMENT_BYTES
  const textual = isTextExtension(extension)
  const wrong =
    (kind === 'HTML' && !isWhatItSays) ||
    ((kind === 'XML' || kind === 'JSON') && extension !== '' && !textual) ||
    (kind === 'text' && small && isFirmwareExtension(extension))
  if (wrong) {
    const detail =
      kind === 'HTML'
        ? 'a page, such as a login page saved in its place'
        : `${kind}, such as an error answer saved in its place`
    return { kind, verdict: 'not firmware', detail, covers: 'nothing', notes: [] }
  }
  const notes = isWhatItSays || textual || kind === 'script' ? [] : [`This is ${kind}, not binary data.`]
  return {
    kind,
    verdict: 'unknown',
    detail: `${kind}: nothing in it can be checked.`,
    covers: 'nothing',
    notes,
  }
}
