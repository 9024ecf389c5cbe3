/**
 * Puts whole lines at the end of the ledger file, or nothing: what a failed write left of a line is taken back
 * before anything else is written, so that the chain stays whole.
 */
import type { LedgerFiles } from './file-access.ts'

export type LineWriter = ReturnType<typeof createLineWriter>

export function createLineWriter(files: LedgerFiles, file: string, startLength: number) {
  const descriptor = files.open(file, 'append')
  let length = startLength
  let partLeft = false
  return {
    descriptor,
    /** Bytes of whole lines in the file. */
    get length(): number {
      return length
    },
    /** A piece of a line stands after them that could not be taken back yet. */
    get partLeft(): boolean {
      return partLeft
    },
    /** Returns when the system has all bytes. Throws the system's error, with the file as it was before. */
    write(bytes: Uint8Array): void {
      if (partLeft) takeBack()
      try {
        writeAll(files, descriptor, bytes)
      } catch (error) {
        partLeft = true
        try {
          takeBack()
        } catch {
          // Tried again before the next line; what matters to the caller is why the write failed.
        }
        throw error
      }
      length += bytes.length
    },
    close: (): void => files.close(descriptor),
  }

  function takeBack(): void {
    files.truncate(descriptor, file, length)
    partLeft = false
  }
}

/** Writes everything, in as many calls as the system takes. */
export function writeAll(files: LedgerFiles, descriptor: number, bytes: Uint8Array): void {
  let done = 0
  while (done < bytes.length) {
    const written = files.write(descriptor, bytes, done)
    if (written === 0) throw Object.assign(new Error('the system took no byte'), { code: 'EIO' })
    done += written
  }
}
