/**
 * The structure of .xz files (".xz file format", version 1.2.1, section numbers below): stream header, blocks,
 * index, footer, each with its own CRC-32. Blocks that do not say their size are walked through the chunks of
 * LZMA2, so that every cut is found and the unpacked size is known before anything is unpacked.
 */
import { crc32 } from 'node:zlib'
import { Damage, need, Uncheckable } from './format-finding.ts'
import type { ByteSource } from './source.ts'

export const XZ_MAGIC = Buffer.from([0xfd, 0x37, 0x7a, 0x58, 0x5a, 0x00])
const FOOTER_MAGIC = Buffer.from('YZ')
/** 2.1.1.2: bytes of the check by its id. */
const CHECK_BYTES = [0, 4, 4, 4, 8, 8, 8, 16, 16, 16, 32, 32, 32, 64, 64, 64]
const LZMA2 = 0x21
const CRC_64 = 0x04

export type XzStream = ReturnType<typeof walkStream>
type Block = ReturnType<typeof walkBlock>

/** Walks the stream that begins at `start`. */
export function walkStream(source: ByteSource, start: number) {
  const header = need(source, start, 12, 'the stream header')
  if (!header.subarray(0, 6).equals(XZ_MAGIC)) throw new Damage('this is no stream header', start)
  matchCrc(header.subarray(6, 8), header.readUInt32LE(8), start + 8)
  const check = header.readUInt8(7)
  if (header[6] !== 0 || check > 15) throw new Uncheckable('It uses a later version of the format.')
  const blocks: Block[] = []
  let at = start + 12
  for (;;) {
    const first = need(source, at, 1, 'a block header').readUInt8(0)
    if (first === 0) break
    const block = walkBlock(source, at, first, CHECK_BYTES[check] ?? 0)
    blocks.push(block)
    at += block.storedBytes
  }
  const indexEnd = checkIndex(source, at, blocks)
  checkFooter(source, indexEnd, indexEnd - at, check)
  return {
    startsAt: start,
    endsAt: indexEnd + 12,
    unpackedBytes: blocks.reduce((sum, block) => sum + block.unpackedBytes, 0),
    /** Whether the contents carry a check at all. */
    hasCheck: check !== 0,
    /** What the decoder at hand cannot check, in words. */
    beyondDecoder: beyondDecoder(check, blocks),
  }
}

function beyondDecoder(check: number, blocks: readonly Block[]): string | undefined {
  if (check !== 0 && check !== 1 && check !== CRC_64)
    return 'the contents carry a check other than CRC-32 and CRC-64'
  if (blocks.some((block) => block.otherFilters)) return 'the contents went through a filter before packing'
  return undefined
}

/** `first`: its first byte, which says how long its header is. */
function walkBlock(source: ByteSource, start: number, first: number, checkBytes: number) {
  const headerBytes = (first + 1) * 4
  const header = need(source, start, headerBytes, 'a block header')
  matchCrc(header.subarray(0, -4), header.readUInt32LE(headerBytes - 4), start + headerBytes - 4)
  const flags = header.readUInt8(1)
  if ((flags & 0x3c) !== 0) throw new Uncheckable('It uses a later version of the format.')
  const fields = fieldReader(header, 2, start)
  const packed = (flags & 0x40) !== 0 ? fields.number() : undefined
  const unpacked = (flags & 0x80) !== 0 ? fields.number() : undefined
  const filters: number[] = []
  for (let filter = 0; filter <= (flags & 3); filter += 1) {
    filters.push(fields.number())
    fields.skip(fields.number())
  }
  if (filters.at(-1) !== LZMA2) throw new Uncheckable('It is packed with a filter that is not known here.')
  const found = walkChunks(source, start + headerBytes)
  if (packed !== undefined && packed !== found.packedBytes) {
    throw new Damage('a block does not have the packed size that its header says', start)
  }
  if (unpacked !== undefined && unpacked !== found.unpackedBytes) {
    throw new Damage('a block does not have the unpacked size that its header says', start)
  }
  const paddingAt = start + headerBytes + found.packedBytes
  const paddingBytes = (4 - (found.packedBytes % 4)) % 4
  // 3.3: zeros up to a multiple of four; the check (3.4) follows.
  const rest = need(source, paddingAt, paddingBytes + checkBytes, 'the check of a block')
  if (rest.subarray(0, paddingBytes).some((byte) => byte !== 0)) {
    throw new Damage('the padding of a block is not zero', paddingAt)
  }
  return {
    storedBytes: headerBytes + found.packedBytes + rest.length,
    /** What the index calls its size. */
    unpaddedBytes: headerBytes + found.packedBytes + checkBytes,
    unpackedBytes: found.unpackedBytes,
    otherFilters: filters.length > 1,
  }
}

/** LZMA2 (5.3.1 names it, xz's own source describes it): chunks that say their sizes, up to a zero byte. */
function walkChunks(source: ByteSource, start: number) {
  let unpackedBytes = 0
  for (let at = start; ; ) {
    const control = need(source, at, 1, 'packed data').readUInt8(0)
    if (control === 0) return { packedBytes: at + 1 - start, unpackedBytes }
    if (control > 2 && control < 0x80) throw new Damage('packed data does not go on as it must', at)
    if (control < 0x80) {
      const bytes = need(source, at + 1, 2, 'packed data').readUInt16BE(0) + 1
      unpackedBytes += bytes
      at += 3 + bytes
    } else {
      const sizes = need(source, at + 1, 4, 'packed data')
      unpackedBytes += (control & 0x1f) * 0x10000 + sizes.readUInt16BE(0) + 1
      at += (control >= 0xc0 ? 6 : 5) + sizes.readUInt16BE(2) + 1
    }
    if (at > source.bytes) throw new Damage('the file ends within packed data', source.bytes)
  }
}

/** 4: the index repeats the sizes of all blocks. Returns where it ends. */
function checkIndex(source: ByteSource, start: number, blocks: readonly Block[]): number {
  // A record takes at most two numbers of nine bytes.
  const most = 1 + 9 + blocks.length * 18 + 3 + 4
  const index = source.read(start, most)
  const fields = fieldReader(index, 1, start)
  if (fields.number() !== blocks.length) throw new Damage('the index has another number of blocks', start)
  for (const block of blocks) {
    if (fields.number() !== block.unpaddedBytes || fields.number() !== block.unpackedBytes) {
      throw new Damage('the index has another size for a block', start)
    }
  }
  const end = Math.ceil(fields.at() / 4) * 4
  if (index.subarray(fields.at(), end).some((byte) => byte !== 0)) {
    throw new Damage('the padding of the index is not zero', start + fields.at())
  }
  const stored = need(source, start + end, 4, 'the index').readUInt32LE(0)
  matchCrc(index.subarray(0, end), stored, start + end)
  return start + end + 4
}

/** 2.1.2 */
function checkFooter(source: ByteSource, at: number, indexBytes: number, check: number): void {
  const footer = need(source, at, 12, 'the stream footer')
  matchCrc(footer.subarray(4, 10), footer.readUInt32LE(0), at)
  if ((footer.readUInt32LE(4) + 1) * 4 !== indexBytes)
    throw new Damage('the footer has another index size', at + 4)
  if (footer[8] !== 0 || footer[9] !== check)
    throw new Damage('the footer has other flags than the header', at + 8)
  if (!footer.subarray(10).equals(FOOTER_MAGIC))
    throw new Damage('the footer does not end as it must', at + 10)
}

function matchCrc(bytes: Buffer, stored: number, at: number): void {
  if (crc32(bytes) !== stored) throw new Damage('the structure does not have the CRC-32 that is stored', at)
}

/** 1.2: numbers of up to nine bytes, seven bits each. */
function fieldReader(bytes: Buffer, from: number, base: number) {
  let at = from
  return {
    at: () => at,
    skip(count: number): void {
      at += count
    },
    number(): number {
      let value = 0
      for (let index = 0; index < 9; index += 1) {
        const byte = bytes[at]
        if (byte === undefined) throw new Damage('a number does not end', base + at)
        at += 1
        value += (byte & 0x7f) * 2 ** (7 * index)
        if (byte < 0x80) return value
      }
      throw new Damage('a number does not end', base + at)
    },
  }
}
