/**
 * A thread that reads files and digests them; everything in it is synchronous, so that it never takes a place
 * in the pool that all threads share for file calls. A small file is read and digested by one thread (`alone`), a large
 * one by two, from one reading: `reader` reads into a ring of chunks in shared memory and digests the whole, `blocks`
 * takes the same chunks and digests every block.
 *
 * The ring: `filled` counts chunks published by the reader, `taken` chunks finished with by both. The reader
 * publishes a chunk before digesting it, and waits while `filled - taken` equals the number of slots:
 *
 *   slot  0      1      2      3            filled = 6, taken = 3: slots 3, 0 and 1 hold chunks 3, 4 and 5
 *        [ 4 ]  [ 5 ]  [free] [ 3 ]
 *
 * A thread that is not wanted any more is ended, wherever it is or waits.
 */
import { createHash } from 'node:crypto'
import { readSync } from 'node:fs'
import { setPriority } from 'node:os'
import { type MessagePort, parentPort, workerData } from 'node:worker_threads'
import { crc32 } from 'node:zlib'
import {
  BLOCK_BYTES,
  type BlockDigests,
  CHUNK_BYTES,
  type DigestAnswer,
  type DigestTask,
  type DigestWorkerData,
  RING,
  RING_SLOTS,
} from './digest-threads.ts'

const PROGRESS_MS = 100
/** Serving has the processor first when there is too little for both. */
const STEPPED_BACK = 10

class Short extends Error {}

function readWhole(fd: number, into: Buffer, position: number): void {
  let done = 0
  while (done < into.length) {
    const count = readSync(fd, into, done, into.length - done, position + done)
    if (count === 0) throw new Short()
    done += count
  }
}

function waitUntil(ring: Int32Array, word: number, isSo: (value: number) => boolean): void {
  for (let value = Atomics.load(ring, word); !isSo(value); value = Atomics.load(ring, word))
    Atomics.wait(ring, word, value)
}

function put(ring: Int32Array, word: number, value: number): void {
  Atomics.store(ring, word, value)
  Atomics.notify(ring, word)
}

interface Chunks {
  readonly memory: Buffer
  readonly ring: Int32Array
}

function chunkAt({ memory }: Chunks, index: number, { bytes }: DigestTask, slots: number): Buffer {
  const at = (index % slots) * CHUNK_BYTES
  return memory.subarray(at, at + Math.min(CHUNK_BYTES, bytes - index * CHUNK_BYTES))
}

/** Every chunk of the file in order; its memory is used again afterwards. `isShared`: put into the ring as well. */
function* readChunks(task: DigestTask, chunks: Chunks, isShared: boolean): Generator<Buffer> {
  const slots = isShared ? RING_SLOTS : 1
  for (let index = 0; index * CHUNK_BYTES < task.bytes; index += 1) {
    if (isShared) waitUntil(chunks.ring, RING.taken, (taken) => index - taken < RING_SLOTS)
    const chunk = chunkAt(chunks, index, task, slots)
    readWhole(task.fd, chunk, index * CHUNK_BYTES)
    // Nobody writes into this slot meanwhile: only this loop fills slots, and not before the chunk is done with.
    if (isShared) put(chunks.ring, RING.filled, index + 1)
    yield chunk
  }
}

/** The chunks that the other thread reads. */
function* takeChunks(task: DigestTask, chunks: Chunks): Generator<Buffer> {
  for (let index = 0; index * CHUNK_BYTES < task.bytes; index += 1) {
    waitUntil(chunks.ring, RING.filled, (filled) => filled > index)
    yield chunkAt(chunks, index, task, RING_SLOTS)
    put(chunks.ring, RING.taken, index + 1)
  }
}

function createBlockDigests({ bytes }: DigestTask) {
  const blocks = new Uint8Array(Math.ceil(bytes / BLOCK_BYTES) * 32)
  let index = 0
  let crc = 0
  const zeros = { zerosAtEnd: 0, zeroPageBytes: 0 }
  return {
    add(chunk: Uint8Array): void {
      for (let offset = 0; offset < chunk.length; offset += BLOCK_BYTES) {
        const block = chunk.subarray(offset, offset + BLOCK_BYTES)
        blocks.set(createHash('sha256').update(block).digest(), index * 32)
        index += 1
      }
      crc = crc32(chunk, crc)
      countZeros(chunk, zeros)
    },
    end: (): BlockDigests => ({ blocks, crc32: crc.toString(16).padStart(8, '0'), ...zeros }),
  }
}

/** What file systems leave out at least (common practice): holes begin and end at its multiples. */
const ZERO_PAGE = Buffer.alloc(4096)

function countZeros(chunk: Uint8Array, zeros: { zerosAtEnd: number; zeroPageBytes: number }): void {
  let end = 0
  for (let at = 0; at < chunk.length; at += ZERO_PAGE.length) {
    const page = chunk.subarray(at, at + ZERO_PAGE.length)
    if (page[0] === 0 && ZERO_PAGE.subarray(0, page.length).equals(page)) zeros.zeroPageBytes += page.length
    else end = at + page.length
  }
  while (chunk[end - 1] === 0) end -= 1
  zeros.zerosAtEnd = chunk.length - end + (end === 0 ? zeros.zerosAtEnd : 0)
}

function digest(
  task: DigestTask,
  { part }: DigestWorkerData,
  chunks: Chunks,
  port: MessagePort,
): DigestAnswer {
  const source = part === 'blocks' ? takeChunks(task, chunks) : readChunks(task, chunks, part === 'reader')
  const hashes = part === 'blocks' ? [] : task.algorithms.map((name) => [name, createHash(name)] as const)
  const blocks = part === 'alone' || part === 'blocks' ? createBlockDigests(task) : undefined
  let toldMs = performance.now()
  let done = 0
  for (const chunk of source) {
    for (const [, hash] of hashes) hash.update(chunk)
    blocks?.add(chunk)
    done += chunk.length
    if (part === 'blocks' || performance.now() - toldMs < PROGRESS_MS) continue
    toldMs = performance.now()
    port.postMessage({ kind: 'progress', share: done / task.bytes } satisfies DigestAnswer)
  }
  return {
    kind: 'done',
    digests: Object.fromEntries(hashes.map(([name, hash]) => [name, hash.digest('hex')])),
    ...(blocks && { blocks: blocks.end() }),
  }
}

function failed(error: unknown): DigestAnswer {
  if (error instanceof Short) return { kind: 'short' }
  const code = error instanceof Error && 'code' in error ? String(error.code) : 'EUNKNOWN'
  return { kind: 'failed', code, message: String(error) }
}

/** Only Linux keeps the nice value per thread (sched(7)); elsewhere it would be that of the whole program. */
function stepBack(): void {
  if (process.platform !== 'linux') return
  try {
    setPriority(0, STEPPED_BACK)
  } catch {
    // Background work at full priority is slower serving, not an error.
  }
}

// Runs only where digests.ts loaded it as a thread of its own.
if (parentPort !== null) {
  const port = parentPort
  const data = workerData as DigestWorkerData
  const chunks = { memory: Buffer.from(data.chunks), ring: new Int32Array(data.ring) }
  if (data.part === 'more') stepBack()
  port.on('message', (task: DigestTask) => {
    try {
      port.postMessage(digest(task, data, chunks, port))
    } catch (error) {
      port.postMessage(failed(error))
    }
  })
}
