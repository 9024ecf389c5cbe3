/**
 * The legacy image of U-Boot, "uImage" (its include/image.h, struct legacy_img_hdr): header CRC-32 and data
 * CRC-32, big-endian.
 */
import { crc32 } from 'node:zlib'
import type { Budget } from './budget.ts'
import { Damage } from './fault.ts'
import { need, type WholeFormat } from './finding.ts'
import { type ByteSource, pieces } from './source.ts'

const HEADER_BYTES = 64

export function checkUImage(source: ByteSource, budget: Budget): WholeFormat {
  const header = Buffer.from(need(source, 0, HEADER_BYTES, 'the header'))
  const headerCrc = header.readUInt32BE(4)
  const dataBytes = header.readUInt32BE(12)
  const dataCrc = header.readUInt32BE(24)
  header.writeUInt32BE(0, 4)
  if (crc32(header) !== headerCrc) throw new Damage('the header does not have the CRC-32 that is stored', 4)
  const endsAt = HEADER_BYTES + dataBytes
  if (endsAt > source.bytes)
    throw new Damage(`the file ends ${endsAt - source.bytes} bytes too early`, source.bytes)
  let crc = 0
  for (const piece of pieces(source, HEADER_BYTES, endsAt)) {
    crc = crc32(piece, crc)
    budget.tick()
  }
  if (crc !== dataCrc)
    throw new Damage('the data before this byte does not have the CRC-32 that is stored', endsAt)
  return { endsAt, covers: 'contents' }
}
