/**
 * A thread that reads files and digests them; everything in it is synchronous, so that it never takes a place
 * in the pool that all threads share for file calls. The parts it can play:
 *
 *   alone    reads, digests the whole and every block, and CRC-32 (small files)
 *   reader   reads into a ring of chunks in shared memory, digests the whole     } one file,
 *   blocks   takes the same chunks from the ring: every block, and CRC-32        } two cores
 *   more     reads, digests with the algorithms it is told
 *
 * The ring: `filled` counts chunks published by the reader, `taken` chunks finished with by both. The reader
 * publishes a chunk before digesting it, and waits while `filled - taken` equals the number of slots:
 *
 *   slot  0      1      2      3            filled = 6, taken = 3: slots 3, 0 and 1 hold chunks 3, 4 and 5
 *        [ 4 ]  [ 5 ]  [free] [ 3 ]
 */
import { createHash, type Hash } from 'node:crypto'
import { readSync } from 'node:fs'
import { parentPort, workerData } from 'node:worker_threads'
import { crc32 } from 'node:zlib'
import { lowerPriority } from './background-priority.ts'
import {
  CHUNK_BYTES,
  CONTROL,
  type DigestAnswer,
  type DigestTask,
  type DigestWorkerData,
  RING_SLOTS,
  type Zeros,
} from './digest-task.ts'

/** Waits are bounded: a cancel that falls between the look at the flag and the wait would else go unseen. */
const NOTICE_CANCEL_MS = 100

class Stopped extends Error {
  readonly kind: 'short' | 'cancelled'
  constructor(kind: 'short' | 'cancelled') {
    super(kind)
    this.kind = kind
  }
}

function stopIfCancelled(control: Int32Array): void {
  if (Atomics.load(control, CONTROL.cancel) === 1) throw new Stopped('cancelled')
}

function readWhole(fd: number, into: Buffer, position: number): void {
  let done = 0
  while (done < into.length) {
    const count = readSync(fd, into, done, into.length - done, position + done)
    if (count === 0) throw new Stopped('short')
    done += count
  }
}

interface BlockDigests {
  add(chunk: Uint8Array): void
  end(): { blocks: Uint8Array; crc32: string } & Zeros
}

function digestBlocks(bytes: number, blockBytes: number): BlockDigests {
  const blocks = new Uint8Array(Math.ceil(bytes / blockBytes) * 32)
  let index = 0
  let crc = 0
  const zeros = { zerosAtEnd: 0, zeroPageBytes: 0 }
  return {
    add(chunk) {
      for (let offset = 0; offset < chunk.length; offset += blockBytes) {
        const block = chunk.subarray(offset, offset + blockBytes)
        blocks.set(createHash('sha256').update(block).digest(), index * 32)
        index += 1
      }
      crc = crc32(chunk, crc)
      countZeros(chunk, zeros)
    },
    end: () => ({ blocks, crc32: crc.toString(16).padStart(8, '0'), ...zeros }),
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

/** Calls `each` with every chunk of the file in order; the chunk's memory is reused afterwards. */
function eachChunk(
  task: DigestTask,
  control: Int32Array,
  buffer: Buffer,
  each: (chunk: Buffer) => void,
): void {
  for (let position = 0; position < task.bytes; position += CHUNK_BYTES) {
    stopIfCancelled(control)
    const chunk = buffer.subarray(0, Math.min(CHUNK_BYTES, task.bytes - position))
    readWhole(task.fd, chunk, position)
    each(chunk)
    Atomics.store(control, CONTROL.doneKiB, Math.floor((position + chunk.length) / 1024))
  }
}

function runAlone(task: DigestTask, control: Int32Array, buffer: Buffer): DigestAnswer[] {
  const whole = createHash('sha256')
  const blocks = digestBlocks(task.bytes, task.blockBytes)
  eachChunk(task, control, buffer, (chunk) => {
    whole.update(chunk)
    blocks.add(chunk)
  })
  return [
    { id: task.id, kind: 'whole', sha256: whole.digest('hex') },
    { id: task.id, kind: 'blocks', ...blocks.end() },
  ]
}

function runMore(task: DigestTask, control: Int32Array, buffer: Buffer): DigestAnswer[] {
  const hashes = new Map<string, Hash>(task.algorithms.map((name) => [name, createHash(name)]))
  eachChunk(task, control, buffer, (chunk) => {
    for (const hash of hashes.values()) hash.update(chunk)
  })
  const digests = Object.fromEntries([...hashes].map(([name, hash]) => [name, hash.digest('hex')]))
  return [{ id: task.id, kind: 'more', digests }]
}

function runReader(task: DigestTask, control: Int32Array, ring: Buffer): DigestAnswer[] {
  const whole = createHash('sha256')
  let filled = 0
  for (let position = 0; position < task.bytes; position += CHUNK_BYTES) {
    let taken = Atomics.load(control, CONTROL.taken)
    while (filled - taken === RING_SLOTS) {
      stopIfCancelled(control)
      Atomics.wait(control, CONTROL.taken, taken, NOTICE_CANCEL_MS)
      taken = Atomics.load(control, CONTROL.taken)
    }
    stopIfCancelled(control)
    const slot = filled % RING_SLOTS
    const length = Math.min(CHUNK_BYTES, task.bytes - position)
    const chunk = ring.subarray(slot * CHUNK_BYTES, slot * CHUNK_BYTES + length)
    readWhole(task.fd, chunk, position)
    Atomics.store(control, CONTROL.lengths + slot, length)
    filled += 1
    Atomics.store(control, CONTROL.filled, filled)
    Atomics.notify(control, CONTROL.filled)
    // Nobody writes into this slot meanwhile: only this loop fills slots, and not before this line is done.
    whole.update(chunk)
    Atomics.store(control, CONTROL.doneKiB, Math.floor((position + length) / 1024))
  }
  return [{ id: task.id, kind: 'whole', sha256: whole.digest('hex') }]
}

function runBlocks(task: DigestTask, control: Int32Array, ring: Buffer): DigestAnswer[] {
  const blocks = digestBlocks(task.bytes, task.blockBytes)
  const chunks = Math.ceil(task.bytes / CHUNK_BYTES)
  for (let taken = 0; taken < chunks; taken += 1) {
    while (Atomics.load(control, CONTROL.filled) === taken) {
      stopIfCancelled(control)
      Atomics.wait(control, CONTROL.filled, taken, NOTICE_CANCEL_MS)
    }
    const slot = taken % RING_SLOTS
    const length = Atomics.load(control, CONTROL.lengths + slot)
    blocks.add(ring.subarray(slot * CHUNK_BYTES, slot * CHUNK_BYTES + length))
    Atomics.store(control, CONTROL.taken, taken + 1)
    Atomics.notify(control, CONTROL.taken)
  }
  return [{ id: task.id, kind: 'blocks', ...blocks.end() }]
}

function answer(task: DigestTask, control: Int32Array, work: () => DigestAnswer[]): DigestAnswer[] {
  try {
    return work()
  } catch (error) {
    // The other thread of a pair would wait for chunks that do not come.
    Atomics.store(control, CONTROL.cancel, 1)
    Atomics.notify(control, CONTROL.filled)
    Atomics.notify(control, CONTROL.taken)
    if (error instanceof Stopped) return [{ id: task.id, kind: error.kind }]
    const code = error instanceof Error && 'code' in error ? String(error.code) : 'EUNKNOWN'
    return [{ id: task.id, kind: 'failed', code, message: String(error) }]
  }
}

function isDigestWorkerData(data: unknown): data is DigestWorkerData {
  return typeof data === 'object' && data !== null && 'part' in data && 'control' in data && 'ring' in data
}

// Runs only where digests.ts loaded it as a thread of its own.
if (parentPort !== null && isDigestWorkerData(workerData)) {
  const port = parentPort
  const control = new Int32Array(workerData.control)
  const shared = Buffer.from(workerData.ring)
  if (workerData.part === 'more') lowerPriority()
  const run = { alone: runAlone, reader: runReader, blocks: runBlocks, more: runMore }[workerData.part]
  port.on('message', (task: DigestTask) => {
    for (const message of answer(task, control, () => run(task, control, shared))) port.postMessage(message)
  })
}
