/**
 * The legacy image of U-Boot, "uImage" (its include/image.h, struct legacy_img_hdr): header CRC-32 and data
 * CRC-32, big-endian.
 */
import { crc32 } from 'node:zlib'
import { Damage, need, needAll, type WholeFormat } from './format-finding.ts'
import { type ByteSource, crc32Of } from './source.ts'

const HEADER_BYTES = 64

export function checkUImage(source: ByteSource): WholeFormat {
  const header = Buffer.from(need(source, 0, HEADER_BYTES, 'the header'))
  const headerCrc = header.readUInt32BE(4)
  const endsAt = HEADER_BYTES + header.readUInt32BE(12)
  const dataCrc = header.readUInt32BE(24)
  header.writeUInt32BE(0, 4)
  if (crc32(header) !== headerCrc) throw new Damage('the header does not have the CRC-32 that is stored', 4)
  needAll(source, endsAt)
  if (crc32Of(source, HEADER_BYTES, endsAt) !== dataCrc)
    throw new Damage('the data before this byte does not have the CRC-32 that is stored', endsAt)
  return { endsAt, covers: 'contents' }
}
