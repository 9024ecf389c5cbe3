/** File access to a disk of which a test decides how much room is left and what fails. */
import { statSync } from 'node:fs'
import { DISK, type LedgerFiles } from '../../server/ledger/file-access.ts'

export interface SmallDisk extends LedgerFiles {
  /** Bytes that still fit; endless unless a test sets it. */
  room: number
  /** Code of the error that every write meets. */
  failWrites: string | undefined
  failTruncate: string | undefined
  failSync: string | undefined
  readonly syncs: number
  /** Writes that found no room. */
  readonly refused: number
}

export function smallDisk(): SmallDisk {
  const fail = (code: string) => Object.assign(new Error(`${code}: made by the test`), { code })
  const sizeOf = (path: string) => statSync(path, { throwIfNoEntry: false })?.size ?? 0
  let syncs = 0
  let refused = 0
  const disk: SmallDisk = {
    ...DISK,
    room: Number.POSITIVE_INFINITY,
    failWrites: undefined,
    failTruncate: undefined,
    failSync: undefined,
    get syncs() {
      return syncs
    },
    get refused() {
      return refused
    },
    open(path, how) {
      if (how === 'fresh') disk.room += sizeOf(path)
      return DISK.open(path, how)
    },
    write(descriptor, bytes, offset) {
      if (disk.failWrites !== undefined) throw fail(disk.failWrites)
      // As POSIX has it (write, "if there is only room for fewer bytes"): what fits is written, then no more.
      const fitting = Math.min(bytes.length - offset, disk.room)
      if (fitting <= 0) {
        refused += 1
        throw fail('ENOSPC')
      }
      const written = DISK.write(descriptor, bytes.subarray(0, offset + fitting), offset)
      disk.room -= written
      return written
    },
    truncate(descriptor, path, bytes) {
      if (disk.failTruncate !== undefined) throw fail(disk.failTruncate)
      disk.room += sizeOf(path) - bytes
      DISK.truncate(descriptor, path, bytes)
    },
    async datasync(descriptor) {
      syncs += 1
      if (disk.failSync !== undefined) throw fail(disk.failSync)
      await DISK.datasync(descriptor)
    },
    remove(path) {
      disk.room += sizeOf(path)
      DISK.remove(path)
    },
  }
  return disk
}
