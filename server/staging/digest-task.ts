/** What passes between digests.ts and its threads: tasks, answers, and the words they share. */

/** Indexes into the control words shared with the thread that started us. */
export const CONTROL = { cancel: 0, filled: 1, taken: 2, doneKiB: 3, lengths: 8 } as const
export const RING_SLOTS = 8
/** A multiple of every block size in use. */
export const CHUNK_BYTES = 1024 * 1024

export interface DigestTask {
  readonly id: number
  readonly fd: number
  readonly bytes: number
  readonly blockBytes: number
  /** Only for the part `more`: names as `node:crypto` knows them. */
  readonly algorithms: readonly string[]
}

/** Bytes that are zero: in one run up to the end, and in pages of 4 KiB that hold nothing else. */
export interface Zeros {
  readonly zerosAtEnd: number
  readonly zeroPageBytes: number
}

export type DigestAnswer =
  | { readonly id: number; readonly kind: 'whole'; readonly sha256: string }
  | ({
      readonly id: number
      readonly kind: 'blocks'
      readonly blocks: Uint8Array
      readonly crc32: string
    } & Zeros)
  | { readonly id: number; readonly kind: 'more'; readonly digests: Record<string, string> }
  /** The file ended before `bytes`. */
  | { readonly id: number; readonly kind: 'short' }
  | { readonly id: number; readonly kind: 'cancelled' }
  | { readonly id: number; readonly kind: 'failed'; readonly code: string; readonly message: string }

export interface DigestWorkerData {
  readonly part: 'alone' | 'reader' | 'blocks' | 'more'
  readonly control: SharedArrayBuffer
  readonly ring: SharedArrayBuffer
}
