/**
 * Raw deflate data (RFC 1951) within a file, unpacked as a stream: how much was read and made, and the CRC-32
 * of what it made. Serves gzip and zip.
 */
import { Readable } from 'node:stream'
import { crc32, createInflateRaw } from 'node:zlib'
import { messageOf } from '../../errors.ts'
import { Damage, isNoFault } from './format-finding.ts'
import { type CheckSource, pieces, SOURCE_PIECE_BYTES } from './source.ts'

/** Unpacks from `from`, reading no further than `to`. Throws `Damage` where the data cannot be unpacked. */
export async function inflate(source: CheckSource, from: number, to: number) {
  const unpacking = createInflateRaw({ chunkSize: SOURCE_PIECE_BYTES })
  const reading = Readable.from(pieces(source, from, to), { objectMode: true, highWaterMark: 1 })
  let crc = 0
  let producedBytes = 0
  reading.on('error', (error) => unpacking.destroy(error))
  reading.pipe(unpacking)
  try {
    for await (const chunk of unpacking as AsyncIterable<Buffer>) {
      producedBytes += chunk.length
      crc = crc32(chunk, crc)
      source.spend(chunk.length)
    }
  } catch (error) {
    if (isNoFault(error)) throw error
    throw new Damage(
      `the packed data cannot be unpacked (${messageOf(error)})`,
      from + unpacking.bytesWritten,
    )
  } finally {
    reading.destroy()
    unpacking.destroy()
  }
  // bytesWritten counts what the engine took in, so it stands at the end of the deflate data.
  return { consumedBytes: unpacking.bytesWritten, producedBytes, crc32: crc }
}
