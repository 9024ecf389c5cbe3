/** The calls by which the ledger writes: passed in, so that tests can fill a disk, break it, or count its syncs. */
import {
  closeSync,
  constants,
  fdatasync,
  fstatSync,
  fsyncSync,
  ftruncateSync,
  openSync,
  rmSync,
  statSync,
  truncateSync,
  writeSync,
} from 'node:fs'
import { promisify } from 'node:util'
import { systemCode } from '../errors.ts'
import { NO_LINK } from '../files/regular-file.ts'

export interface LedgerFiles {
  /**
   * `append` creates the file when it is absent and writes at its end only; `fresh` empties it. Neither goes through
   * a link: what a borrowed folder carries could lead anywhere.
   */
  open(path: string, how: 'append' | 'fresh'): number
  /** Bytes written, which may be fewer than there are from `offset` on. */
  write(descriptor: number, bytes: Uint8Array, offset: number): number
  truncate(descriptor: number, path: string, bytes: number): void
  datasync(descriptor: number): Promise<void>
  syncNow(descriptor: number): void
  /** Whether the path still names the file that is open, and that file's length. */
  look(descriptor: number, path: string): { readonly inPlace: boolean; readonly bytes: number }
  close(descriptor: number): void
  remove(path: string): void
}

const { O_WRONLY, O_CREAT, O_APPEND, O_TRUNC } = constants
const FLAGS = Object.freeze({
  append: O_WRONLY | O_CREAT | O_APPEND | NO_LINK,
  fresh: O_WRONLY | O_CREAT | O_TRUNC | NO_LINK,
})

export const DISK: LedgerFiles = Object.freeze({
  open: (path, how) => openSync(path, FLAGS[how], 0o600),
  write: (descriptor, bytes, offset) => writeSync(descriptor, bytes, offset),
  truncate(descriptor, path, bytes) {
    try {
      ftruncateSync(descriptor, bytes)
    } catch (error) {
      // Windows opens for appending without the right to set the length (libuv, fs__open: FILE_APPEND_DATA alone).
      if (systemCode(error) !== 'EPERM') throw error
      truncateSync(path, bytes)
    }
  },
  datasync: promisify(fdatasync),
  syncNow: fsyncSync,
  look(descriptor, path) {
    const opened = fstatSync(descriptor)
    const named = statSync(path, { throwIfNoEntry: false })
    return { inPlace: named?.ino === opened.ino && named.dev === opened.dev, bytes: opened.size }
  },
  close: closeSync,
  remove: (path) => rmSync(path, { force: true }),
} satisfies LedgerFiles)

/** Whether an error says that there is no room: on the disk, or in what this user may take of it. */
export function isNoRoom(error: unknown): boolean {
  return ['ENOSPC', 'EDQUOT'].includes(systemCode(error) ?? '')
}
