/**
 * A file whose only use is to be given up: when the disk is full, removing it makes room for the endings of the
 * fetches under way. Its bytes are random and really written, since some file systems store zeros for nothing.
 */
import { randomBytes } from 'node:crypto'
import { lstatSync } from 'node:fs'
import { join } from 'node:path'
import type { LedgerFiles } from './file-access.ts'
import { writeAll } from './line-writer.ts'

export const RESERVE_FILE = 'reserve'
/** About 3,000 endings of some 350 bytes: more than can be under way at once with default settings. */
export const RESERVE_BYTES = 1024 * 1024

export type Reserve = ReturnType<typeof createReserve>

export function createReserve(files: LedgerFiles, records: string, bytes: number) {
  const path = join(records, RESERVE_FILE)
  return {
    /** Makes it whole when it is not. Throws the system's error, having removed what there was. */
    ensure(): void {
      if (lstatSync(path, { throwIfNoEntry: false })?.size !== bytes) fill(bytes)
    },
    /** As `ensure`, and only when there is room for as much again: else every line would fill the disk anew. */
    restore(): void {
      fill(bytes * 2)
      fill(bytes)
    },
    giveUp: (): void => files.remove(path),
  }

  function fill(length: number): void {
    try {
      const descriptor = files.open(path, 'fresh')
      try {
        writeAll(files, descriptor, randomBytes(length))
        files.syncNow(descriptor)
      } finally {
        files.close(descriptor)
      }
    } catch (error) {
      files.remove(path)
      throw error
    }
  }
}
