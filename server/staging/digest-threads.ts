/**
 * The threads of a lane: started when needed, ended when idle for a while, not wanted any more, or broken. And what
 * passes between them (digest-worker.ts) and the lane.
 */
import { Worker } from 'node:worker_threads'

/** What is digested, kept and verified before it is sent: a kept list of blocks of another size is worth nothing. */
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
type DigestPart = 'alone' | 'reader' | 'blocks' | 'more'

export interface DigestWorkerData {
  readonly part: DigestPart
  readonly chunks: SharedArrayBuffer
  readonly ring: SharedArrayBuffer
}

/** Starting anew takes some tens of milliseconds; an idle thread holds about 15 MB. */
const IDLE_MS = 10_000

export interface DigestThreadOptions {
  /** Built digest-worker.js, absolute. */
  readonly workerFile: string
  readonly parts: readonly DigestPart[]
}

export type DigestsFound = Extract<DigestAnswer, { kind: 'done' }>
type DigestResult = DigestsFound | Extract<DigestAnswer, { kind: 'short' }> | { readonly kind: 'cancelled' }

export type DigestThreads = ReturnType<typeof createDigestThreads>

export function createDigestThreads({ workerFile, parts }: DigestThreadOptions) {
  // Long: one set of threads and the one task that they have.
  const ring = new SharedArrayBuffer(8)
  let workers: Worker[] = []
  let idle: NodeJS.Timeout | undefined
  let current: { receive(answer: DigestAnswer): void; settle(result: DigestResult | Error): void } | undefined

  function start(): void {
    const chunks = new SharedArrayBuffer((parts.length > 1 ? RING_SLOTS : 1) * CHUNK_BYTES)
    workers = parts.map((part) => {
      const worker = new Worker(workerFile, { workerData: { part, chunks, ring } satisfies DigestWorkerData })
      const ours = (act: () => unknown): void => {
        if (workers.includes(worker)) act()
      }
      worker.on('message', (answer: DigestAnswer) => ours(() => current?.receive(answer)))
      worker.on('error', (error) =>
        ours(() => giveUp(error instanceof Error ? error : new Error(String(error)))),
      )
      worker.on('exit', () => ours(() => giveUp(new Error('A digest thread ended.'))))
      worker.unref()
      return worker
    })
  }

  async function end(): Promise<void> {
    clearTimeout(idle)
    const all = workers
    workers = []
    await Promise.all(all.map((worker) => worker.terminate()))
  }

  /** The descriptor may be closed only when no thread reads from it any more. */
  async function giveUp(result: DigestResult | Error): Promise<void> {
    const task = current
    current = undefined
    await end()
    task?.settle(result)
  }

  /** A thread that could not read on is as good as new; one that waits for its chunks is not. */
  function stop(result: DigestResult | Error): void {
    if (parts.length > 1) void giveUp(result)
    else current?.settle(result)
  }

  function rest(): void {
    current = undefined
    for (const worker of workers) worker.unref()
    idle = setTimeout(() => void end(), IDLE_MS).unref()
  }

  return {
    /** One task at a time. Rejects with the system's error, or when a thread breaks down. */
    run(task: DigestTask, onProgress: (share: number) => void): Promise<DigestResult> {
      clearTimeout(idle)
      new Int32Array(ring).fill(0)
      if (workers.length === 0) start()
      let missing = parts.length
      let found: DigestsFound = { kind: 'done', digests: {} }
      return new Promise<DigestResult>((resolve, reject) => {
        current = {
          receive(answer) {
            if (answer.kind === 'progress') onProgress(answer.share)
            else if (answer.kind === 'short') stop(answer)
            else if (answer.kind === 'failed')
              stop(Object.assign(new Error(answer.message), { code: answer.code }))
            else {
              found = { ...found, ...answer, digests: { ...found.digests, ...answer.digests } }
              missing -= 1
              if (missing === 0) resolve(found)
            }
          },
          settle: (result) => (result instanceof Error ? reject(result) : resolve(result)),
        }
        for (const worker of workers) worker.ref()
        for (const worker of workers) worker.postMessage(task)
      }).finally(rest)
    },
    /** What is under way is `cancelled`. */
    cancel: (): Promise<void> => giveUp({ kind: 'cancelled' }),
  }
}
