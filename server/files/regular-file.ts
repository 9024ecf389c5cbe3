/**
 * Opening files that may have come with a borrowed folder: regular ones only, without waiting, and never more of
 * them than is meant. A named pipe would hold up its reader for ever, a device or a huge file its memory.
 */
import { closeSync, constants, fstatSync, openSync, readSync, type Stats } from 'node:fs'
import { type FileHandle, open } from 'node:fs/promises'

// Neither flag exists on Windows, where named pipes do not stand in folders.
export const NO_WAITING = constants.O_NONBLOCK ?? 0
/** Fails with ELOOP where a link stands in the last place of the path. */
export const NO_LINK = constants.O_NOFOLLOW ?? 0

/** Codes of what these functions throw besides the system's own errors. */
export const NOT_REGULAR = 'EFTYPE'
export const TOO_LARGE = 'EFBIG'

interface RegularFileOptions {
  /** A link is followed; for files of which only the engineer is told what stands in them. */
  readonly followLink?: boolean
}

/** For reading. Throws the system's error, or one with the code EFTYPE. */
export async function openRegular(path: string, options: RegularFileOptions = {}): Promise<FileHandle> {
  const handle = await open(path, flagsOf(options))
  try {
    assertRegular(await handle.stat())
    return handle
  } catch (error) {
    await handle.close()
    throw error
  }
}

/** The whole file, at once. Throws the system's error, or one with the code EFTYPE or EFBIG. */
export function readRegular(path: string, mostBytes: number, options: RegularFileOptions = {}): Buffer {
  const descriptor = openSync(path, flagsOf(options))
  try {
    const stats = fstatSync(descriptor)
    assertRegular(stats)
    // One byte more than there may be, so that a longer file shows as one, however fast it grows.
    const buffer = Buffer.allocUnsafe(Math.min(mostBytes, stats.size) + 1)
    let bytes = 0
    for (;;) {
      const read = readSync(descriptor, buffer, bytes, buffer.length - bytes, bytes)
      bytes += read
      if (read === 0 || bytes === buffer.length) break
    }
    if (bytes > mostBytes) throw failure(`it is larger than ${mostBytes} bytes`, TOO_LARGE)
    return buffer.subarray(0, bytes)
  } finally {
    closeSync(descriptor)
  }
}

function flagsOf({ followLink = false }: RegularFileOptions): number {
  return constants.O_RDONLY | NO_WAITING | (followLink ? 0 : NO_LINK)
}

function assertRegular(stats: Stats): void {
  if (!stats.isFile()) throw failure('it is not a regular file', NOT_REGULAR)
}

function failure(message: string, code: string): Error {
  return Object.assign(new Error(message), { code })
}
