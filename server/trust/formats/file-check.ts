/**
 * One file's format: what the bytes say it is, whether that holds together, and what a person should know
 * beside. Never throws on content; errors of opening and reading pass through.
 */
import { posix } from 'node:path'
import { messageOf } from '../../errors.ts'
import { type Limits, type Stopwatch, withinBudget } from './budget.ts'
import { judgeDocument } from './document.ts'
import { type CheckedFormat, Damage, notSound, Uncheckable } from './format-finding.ts'
import { type KnownFormat, nearMiss, promisedBy, recognise, SIGNATURE_BYTES } from './known-formats.ts'
import { programKind } from './program.ts'
import { type ByteSource, type CheckSource, openSource } from './source.ts'

const SMALL_CLIENT_BYTES = 2 ** 31
/** What a format pads itself with is not worth a note. */
const QUIET_PADDING_BYTES = 64 * 1024

/** Opens `file` and checks it as `name`. Throws only when the file cannot be opened or read. */
export async function checkFormat(
  file: string,
  name: string,
  limits?: Limits,
  watch?: Stopwatch,
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
  limits?: Limits,
  watch?: Stopwatch,
): Promise<CheckedFormat> {
  const extension = posix.extname(name).slice(1).toLowerCase()
  const checked = await checkBytes(source, withinBudget(source, limits, watch), extension)
  if (source.bytes < SMALL_CLIENT_BYTES) return checked
  const sizeNote = `The file has ${source.bytes} bytes: small clients count to 2,147,483,647 and cannot take it.`
  return { ...checked, notes: [...checked.notes, sizeNote] }
}

/** `limited`: `source` within its budget. */
async function checkBytes(
  source: ByteSource,
  limited: CheckSource,
  extension: string,
): Promise<CheckedFormat> {
  if (source.bytes === 0) return notSound('empty', 'not firmware', 'The file holds no bytes.')
  const head = source.read(0, SIGNATURE_BYTES)
  const known = recognise(head)
  if (known !== undefined) return checkKnown(source, limited, known, extension)
  const near = nearMiss(head, extension)
  if (near !== undefined && extension !== '' && near.extensions.includes(extension)) return damagedStart(near)
  const document = judgeDocument(source, extension)
  if (document !== undefined) return document
  if (near !== undefined) return damagedStart(near)
  const program = programKind(source, extension)
  const detail =
    'The bytes are of no format that can be checked; only a published checksum can show that they are whole.'
  const notes = [...mismatchNote(program?.kind, extension), ...(program?.notes ?? [])]
  return notSound(program?.kind ?? 'unknown', 'unknown', detail, notes)
}

async function checkKnown(
  source: ByteSource,
  limited: CheckSource,
  known: KnownFormat,
  extension: string,
): Promise<CheckedFormat> {
  const { kind, check } = known
  const notes = [...mismatchNote(kind, extension), ...containerNote(known)]
  if (check === undefined)
    return notSound(kind, 'unknown', `A ${kind}; such files are not checked here.`, notes)
  try {
    const { endsAt, ...found } = await check(limited)
    return { kind, verdict: 'sound', ...found, notes: [...notes, ...trailingNote(source, kind, endsAt)] }
  } catch (error) {
    if (error instanceof Damage) return damaged(kind, error, notes)
    if (error instanceof Uncheckable) return notSound(kind, 'unknown', error.message, notes)
    if (error instanceof Error && 'syscall' in error) throw error
    const why = `The check itself failed (${messageOf(error)}); nothing is known about the file.`
    return notSound(kind, 'unknown', why, notes)
  }
}

function damagedStart({ kind }: KnownFormat): CheckedFormat {
  const what = `the file begins almost, but not quite, as ${kind} does, or ends right there`
  return damaged(kind, new Damage(what, 0))
}

function damaged(kind: string, { atByte, message }: Damage, notes?: readonly string[]): CheckedFormat {
  return notSound(kind, 'damaged', `at byte ${atByte}: ${message}`, notes)
}

/** Bytes behind the format's own end: normal, but worth knowing unless they are a little padding. */
function trailingNote(source: ByteSource, kind: string, endsAt: number): string[] {
  const bytes = source.bytes - endsAt
  if (bytes <= 0) return []
  const tail = bytes <= QUIET_PADDING_BYTES ? source.read(endsAt, bytes) : undefined
  if (tail?.every((byte) => byte === tail[0] && (byte === 0 || byte === 0xff || byte === 10)) === true)
    return []
  return [
    `${bytes} bytes follow the end of the ${kind} data at byte ${endsAt}, as padding or a signature would.`,
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
