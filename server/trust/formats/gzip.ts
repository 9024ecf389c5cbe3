/** gzip (RFC 1952): every member's header, deflate data, CRC-32 and length. */
import { crc32 } from 'node:zlib'
import { Damage, need, type WholeFormat } from './format-finding.ts'
import { inflate } from './inflated.ts'
import type { ByteSource, CheckSource } from './source.ts'

// RFC 1952 §2.3.1
const HAS_HEADER_CRC = 0x02
const HAS_EXTRA = 0x04
const HAS_NAME = 0x08
const HAS_COMMENT = 0x10
const RESERVED = 0xe0
/** Names and comments have no length of their own; a longer one is taken for damage. */
const MAX_TEXT_BYTES = 64 * 1024

export async function checkGzip(source: CheckSource): Promise<WholeFormat> {
  let at = 0
  let members = 0
  do {
    at = await checkMember(source, at)
    members += 1
  } while (beginsMember(source, at))
  return { endsAt: at, covers: 'contents', ...(members > 1 ? { detail: `${members} members` } : {}) }
}

/** §2.2: members follow each other directly. Anything else is not gzip's. */
function beginsMember(source: ByteSource, at: number): boolean {
  const head = source.read(at, 4)
  return head.length >= 2 && head[0] === 0x1f && head[1] === 0x8b && (head[2] ?? 8) === 8
}

async function checkMember(source: CheckSource, start: number): Promise<number> {
  const data = checkHeader(source, start)
  const inflated = await inflate(source, data, source.bytes)
  const trailerAt = data + inflated.consumedBytes
  const trailer = need(source, trailerAt, 8, 'the checksum at the end')
  if (trailer.readUInt32LE(0) !== inflated.crc32) {
    throw new Damage('the unpacked data does not have the CRC-32 that is stored', trailerAt)
  }
  if (trailer.readUInt32LE(4) !== inflated.producedBytes % 2 ** 32) {
    throw new Damage('the unpacked data does not have the length that is stored', trailerAt + 4)
  }
  return trailerAt + 8
}

/** Returns where the deflate data begins. */
function checkHeader(source: ByteSource, start: number): number {
  const fixed = need(source, start, 10, 'the header')
  const flags = fixed.readUInt8(3)
  if ((flags & RESERVED) !== 0) throw new Damage('reserved header flags are set', start + 3)
  let at = start + 10
  if ((flags & HAS_EXTRA) !== 0) at += 2 + need(source, at, 2, 'the header').readUInt16LE(0)
  if ((flags & HAS_NAME) !== 0) at = skipText(source, at)
  if ((flags & HAS_COMMENT) !== 0) at = skipText(source, at)
  if ((flags & HAS_HEADER_CRC) !== 0) {
    const stored = need(source, at, 2, 'the header').readUInt16LE(0)
    if ((crc32(source.read(start, at - start)) & 0xffff) !== stored) {
      throw new Damage('the header does not have the checksum that is stored', at)
    }
    at += 2
  }
  return at
}

function skipText(source: ByteSource, at: number): number {
  const text = source.read(at, MAX_TEXT_BYTES)
  const end = text.indexOf(0)
  if (end < 0) throw new Damage('a text in the header has no end', at)
  return at + end + 1
}
