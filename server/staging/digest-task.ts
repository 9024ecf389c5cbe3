/** What passes between digests.ts and its threads. */

/** Bytes a block: the unit that is digested, kept and verified before it is sent. A list of blocks of another size is worth nothing. */
export const BLOCK_BYTES = 256 * 1024

/** Indexes into the words shared by two threads that digest one file (see digest-worker.ts). */
export const RING = { filled: 0, taken: 1 } as const
export const RING_SLOTS = 8
/** Whole blocks. */
export const CHUNK_BYTES = 1024 * 1024

export interface DigestTask {
  readonly fd: number
  readonly bytes: number
  /** Names as `node:crypto` knows them. */
  readonly algorithms: readonly string[]
}

/** Bytes that are zero: in one run up to the end, and in pages of 4 KiB that hold nothing else. */
export interface Zeros {
  readonly zerosAtEnd: number
  readonly zeroPageBytes: number
}

export interface BlockDigests extends Zeros {
  readonly blocks: Uint8Array
  readonly crc32: string
}

export type DigestAnswer =
  | { readonly kind: 'progress'; readonly share: number }
  /** What this thread was asked for. */
  | {
      readonly kind: 'done'
      readonly digests: Readonly<Record<string, string>>
      readonly blocks?: BlockDigests
    }
  /** The file ended before `bytes`. */
  | { readonly kind: 'short' }
  | { readonly kind: 'failed'; readonly code: string; readonly message: string }

/**
 * What a thread does: `alone` and `more` read a file by themselves; `reader` shares what it reads with `blocks`. The
 * algorithms are the business of all but `blocks`; blocks, CRC-32 and zeros of all but `reader` and `more`.
 */
export type DigestPart = 'alone' | 'reader' | 'blocks' | 'more'

export interface DigestWorkerData {
  readonly part: DigestPart
  readonly chunks: SharedArrayBuffer
  readonly ring: SharedArrayBuffer
}
