/**
 * The bytes under check, read synchronously: checks have a process of their own. Opened non-blocking, so that a named
 * pipe under an image's name cannot stall it.
 */
import { closeSync, constants, fstatSync, openSync, readSync } from 'node:fs'
import { crc32 } from 'node:zlib'

export interface ByteSource {
  readonly bytes: number
  /** Up to `length` bytes from `at`; fewer at the end of the file, none behind it. */
  read(at: number, length: number): Buffer
}

/** Under a budget (budget.ts): both throw `Uncheckable` when it is spent. */
export interface CheckSource extends ByteSource {
  /** Counts unpacked bytes. */
  spend(bytes: number): void
}

export const SOURCE_PIECE_BYTES = 256 * 1024

interface OpenSource extends ByteSource {
  close(): void
}

/** Opens a regular file. Throws the system's error, or one with code `ENOTSUP` for what is no regular file. */
export function openSource(file: string): OpenSource {
  const descriptor = openSync(file, constants.O_RDONLY | (constants.O_NONBLOCK ?? 0))
  try {
    const stat = fstatSync(descriptor)
    if (!stat.isFile()) throw Object.assign(new Error('not a regular file'), { code: 'ENOTSUP' })
    return { ...sourceOfDescriptor(descriptor, stat.size), close: () => closeSync(descriptor) }
  } catch (error) {
    closeSync(descriptor)
    throw error
  }
}

function sourceOfDescriptor(descriptor: number, bytes: number): ByteSource {
  return {
    bytes,
    read(at, length) {
      const wanted = Math.max(0, Math.min(length, bytes - at))
      const buffer = Buffer.allocUnsafe(wanted)
      let got = 0
      while (got < wanted) {
        const now = readSync(descriptor, buffer, got, wanted - got, at + got)
        if (now === 0) break
        got += now
      }
      return got === wanted ? buffer : buffer.subarray(0, got)
    },
  }
}

export function sourceOfBytes(content: Uint8Array): ByteSource {
  const buffer = Buffer.from(content.buffer, content.byteOffset, content.byteLength)
  return { bytes: buffer.length, read: (at, length) => buffer.subarray(at, at + length) }
}

/** The bytes from `from` up to `to`, in pieces. */
export function* pieces(source: ByteSource, from: number, to: number) {
  for (let at = from; at < to; ) {
    const piece = source.read(at, Math.min(SOURCE_PIECE_BYTES, to - at))
    if (piece.length === 0) return
    yield piece
    at += piece.length
  }
}

export function crc32Of(source: ByteSource, from: number, to: number): number {
  let crc = 0
  for (const piece of pieces(source, from, to)) crc = crc32(piece, crc)
  return crc
}

/**
 * `source` with the last piece kept, for formats that are read in many small steps: a system call a step would
 * cost a hundred times the step.
 */
export function buffered(source: CheckSource): CheckSource {
  let start = 0
  let held: Buffer = Buffer.alloc(0)
  return {
    ...source,
    read(at, length) {
      if (length > SOURCE_PIECE_BYTES) return source.read(at, length)
      if (at < start || at + length > start + held.length) {
        held = source.read(at, SOURCE_PIECE_BYTES)
        start = at
      }
      return held.subarray(at - start, at - start + length)
    },
  }
}
