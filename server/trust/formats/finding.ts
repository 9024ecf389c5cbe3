/** What a format check finds, and the shape of a check. */
import type { Format } from '../../ledger/entries.ts'
import type { Budget } from './budget.ts'
import { Damage } from './fault.ts'
import type { ByteSource } from './source.ts'

/** What a whole file of the format gives. */
export interface WholeFormat {
  /** Where the format's own bytes end; what follows is padding or a signature. */
  readonly endsAt: number
  /** Whether checksums over the contents were compared, or only the structure could be. */
  readonly covers: 'contents' | 'structure'
  readonly detail?: string
}

/** Throws `Damage` or `Uncheckable`; any other error means the decoder could not cope with the bytes. */
export type FormatCheckOf = (source: ByteSource, budget: Budget) => WholeFormat | Promise<WholeFormat>

export interface CheckedFormat extends Format {
  /**
   * Whether `sound` was shown by checksums over all contents. Formats without them (tar, ELF, …) can look sound
   * while a copy that allocated its full size first is still under way.
   */
  readonly covers: 'contents' | 'structure' | 'nothing'
  readonly notes: readonly string[]
}

/** The kind of a file whose check did not come about (unreadable, broken off): worth another try. */
export const NOT_CHECKED = 'not checked'

/** `length` bytes at `at`, or `Damage` because the file ends before. */
export function need(source: ByteSource, at: number, length: number, what: string): Buffer {
  const found = source.read(at, length)
  if (found.length < length) {
    throw new Damage(`the file ends within ${what}`, at + found.length)
  }
  return found
}
