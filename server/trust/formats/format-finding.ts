/** What a format check finds, and the shape of a check. */
import type { Format } from '../../ledger/entries.ts'
import type { ByteSource, CheckSource } from './source.ts'

/** What a whole file of the format gives. */
export interface WholeFormat {
  /** Where the format's own bytes end; what follows is padding or a signature. */
  readonly endsAt: number
  /** Whether checksums over the contents were compared, or only the structure could be. */
  readonly covers: 'contents' | 'structure'
  readonly detail?: string
}

/** Throws `Damage` or `Uncheckable`; any other error means the decoder could not cope with the bytes. */
export type FormatCheckOf = (source: CheckSource) => WholeFormat | Promise<WholeFormat>

export interface CheckedFormat extends Format {
  /**
   * Whether `sound` was shown by checksums over all contents. Formats without them (tar, ELF, …) can look sound
   * while a copy that allocated its full size first is still under way.
   */
  readonly covers: 'contents' | 'structure' | 'nothing'
  readonly notes: readonly string[]
}

/** Of a file whose contents no check vouches for. */
export function notSound(
  kind: string,
  verdict: 'damaged' | 'not firmware' | 'unknown',
  detail: string,
  notes: readonly string[] = [],
): CheckedFormat {
  return { kind, verdict, detail, covers: 'nothing', notes }
}

/** The kind of a file whose check did not come about (unreadable, broken off): worth another try. */
export const NOT_CHECKED = 'not checked'

/** The bytes break a rule of their format. `atByte` is where, from 0. */
export class Damage extends Error {
  readonly atByte: number

  constructor(what: string, atByte: number) {
    super(what)
    this.atByte = atByte
  }
}

/** Nothing is known to be wrong, but the check cannot go on; the message says why. */
export class Uncheckable extends Error {}

/** Of what ended a decoder: whether it is no fault of the bytes, since a reading failed or the check cannot go on. */
export function isNoFault(error: unknown): boolean {
  return error instanceof Uncheckable || (error instanceof Error && 'syscall' in error)
}

/** `length` bytes at `at`, or `Damage` because the file ends before. */
export function need(source: ByteSource, at: number, length: number, what: string): Buffer {
  const found = source.read(at, length)
  if (found.length < length) throw new Damage(`the file ends within ${what}`, at + found.length)
  return found
}

/** `Damage` when the file ends before `endsAt`, where the format says that it does. */
export function needAll(source: ByteSource, endsAt: number): void {
  const missing = endsAt - source.bytes
  if (missing > 0) throw new Damage(`the file ends ${missing} bytes too early`, source.bytes)
}
