/**
 * Zstandard (RFC 8878): frames and blocks are walked first, which finds every cut; then each frame is decoded
 * by fzstd and its content checksum (XXH64, §3.1.1) compared, which fzstd leaves out.
 */
import { Decompress } from 'fzstd'
import xxhash from 'xxhash-wasm'
import { messageOf } from '../../errors.ts'
import { Damage, isNoFault, need, Uncheckable, type WholeFormat } from './format-finding.ts'
import { type ByteSource, buffered, type CheckSource, pieces } from './source.ts'

const MAGIC = 0xfd2fb528
/** §3.1.2: 0x184D2A50 to 0x184D2A5F */
const SKIPPABLE = 0x184d2a5
/** What the reference decoder takes unless told otherwise (its default window limit, 2^27). */
const MAX_WINDOW_BYTES = 128 * 1024 * 1024
/** §3.1.1.2.4 */
const MAX_BLOCK_BYTES = 128 * 1024

type Frame = ReturnType<typeof walkFrame>

export async function checkZstd(source: CheckSource): Promise<WholeFormat> {
  const frames: Frame[] = []
  const steps = buffered(source)
  let at = 0
  for (;;) {
    const head = steps.read(at, 4)
    const magic = head.length < 4 ? undefined : head.readUInt32LE(0)
    if (magic === MAGIC) {
      const frame = walkFrame(steps, at)
      frames.push(frame)
      at = frame.to
    } else if (magic !== undefined && magic >>> 4 === SKIPPABLE) at = skip(steps, at)
    else break
  }
  for (const frame of frames) await decodeFrame(source, frame)
  const all = frames.every((frame) => frame.checksum !== undefined)
  return all
    ? { endsAt: at, covers: 'contents' }
    : { endsAt: at, covers: 'structure', detail: 'it decodes, but carries no checksum of its contents' }
}

function skip(source: ByteSource, at: number): number {
  const end = at + 8 + need(source, at, 8, 'a skippable frame').readUInt32LE(4)
  if (end > source.bytes) throw new Damage('the file ends within a skippable frame', source.bytes)
  return end
}

/** §3.1.1.1: descriptor, window, dictionary, content size. */
function walkFrame(source: ByteSource, start: number) {
  const descriptor = need(source, start + 4, 1, 'a frame header').readUInt8(0)
  const single = (descriptor & 0x20) !== 0
  if ((descriptor & 0x08) !== 0) throw new Damage('a reserved bit of the frame header is set', start + 4)
  const dictionaryBytes = [0, 1, 2, 4][descriptor & 3] ?? 0
  const sizeBytes = [single ? 1 : 0, 2, 4, 8][descriptor >> 6] ?? 0
  const windowBytes = single ? 0 : 1
  const header = need(source, start + 5, windowBytes + dictionaryBytes + sizeBytes, 'a frame header')
  if (header.subarray(windowBytes, windowBytes + dictionaryBytes).some((byte) => byte !== 0)) {
    throw new Uncheckable('It needs a dictionary that is not part of it.')
  }
  const contentBytes = readSize(header.subarray(windowBytes + dictionaryBytes))
  const window = single ? Number(contentBytes ?? 0n) : windowOf(header.readUInt8(0))
  if (window > MAX_WINDOW_BYTES)
    throw new Uncheckable('It needs more memory to unpack than is given to a check.')
  const blocksEnd = walkBlocks(source, start + 5 + header.length, Math.min(window, MAX_BLOCK_BYTES))
  const stored = (descriptor & 0x04) === 0 ? undefined : need(source, blocksEnd, 4, 'the content checksum')
  return {
    from: start,
    to: blocksEnd + (stored?.length ?? 0),
    contentBytes,
    /** Low 32 bits of XXH64 over the content, where the frame carries one. */
    checksum: stored?.readUInt32LE(0),
  }
}

/** §3.1.1.1.4 */
function readSize(field: Buffer): bigint | undefined {
  if (field.length === 0) return undefined
  if (field.length === 8) return field.readBigUInt64LE(0)
  return BigInt(field.readUIntLE(0, field.length) + (field.length === 2 ? 256 : 0))
}

/** §3.1.1.1.2 */
function windowOf(descriptor: number): number {
  const base = 2 ** (10 + (descriptor >> 3))
  return base + (base / 8) * (descriptor & 7)
}

/** §3.1.1.2: returns where the last block ends. */
function walkBlocks(source: ByteSource, start: number, maxBytes: number): number {
  for (let at = start; ; ) {
    const head = need(source, at, 3, 'a block header').readUIntLE(0, 3)
    const kind = (head >> 1) & 3
    const size = head >> 3
    if (kind === 3) throw new Damage('a block is of the reserved type', at)
    if (size > maxBytes) throw new Damage('a block is larger than the format allows', at)
    const next = at + 3 + (kind === 1 ? 1 : size)
    if (next > source.bytes) throw new Damage('the file ends within a block', source.bytes)
    if ((head & 1) === 1) return next
    at = next
  }
}

async function decodeFrame(source: CheckSource, frame: Frame): Promise<void> {
  const hash = (await xxhash()).create64()
  let made = 0
  let at = frame.from
  const decoder = new Decompress((chunk) => {
    made += chunk.length
    hash.update(chunk)
    source.spend(chunk.length)
  })
  try {
    for (const piece of pieces(source, frame.from, frame.to)) {
      at += piece.length
      decoder.push(piece, at === frame.to)
    }
  } catch (error) {
    if (isNoFault(error)) throw error
    throw new Damage(`the packed data before this byte cannot be unpacked (${messageOf(error)})`, at)
  }
  if (frame.contentBytes !== undefined && frame.contentBytes !== BigInt(made)) {
    throw new Damage('the unpacked data does not have the length that is stored', frame.from)
  }
  if (frame.checksum !== undefined && Number(hash.digest() & 0xffffffffn) !== frame.checksum) {
    throw new Damage('the unpacked data does not have the checksum that is stored', frame.to - 4)
  }
}
