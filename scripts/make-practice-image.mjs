// Writes staging/practice-image.bin and its published checksum: an invented image for trying things out. The same
// bytes every time: text and a pseudo-random body of fixed seed, in one gzip member (RFC 1952) with time 0.
import { createHash } from 'node:crypto'
import { writeFileSync } from 'node:fs'
import { fileURLToPath } from 'node:url'
import { crc32, deflateRawSync } from 'node:zlib'

const BODY_BYTES = 288 * 1024
const TEXT = `PRACTICE IMAGE. It belongs to no device and does nothing.
County branch libraries (invented), practice model, version 1.0.0.
`

/** xorshift32: small, and the same on every machine. */
function pseudoRandomBytes(count, seed) {
  const bytes = Buffer.alloc(count)
  let state = seed
  for (let at = 0; at < count; at += 1) {
    state ^= state << 13
    state ^= state >>> 17
    state ^= state << 5
    bytes[at] = state & 0xff
  }
  return bytes
}

const content = Buffer.concat([Buffer.from(TEXT.repeat(40)), pseudoRandomBytes(BODY_BYTES, 20_231_107)])
// Header: magic, deflate, no flags, time 0, no extra flags, operating system unknown (RFC 1952 §2.3).
const header = Buffer.from([0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 0, 255])
const trailer = Buffer.alloc(8)
trailer.writeUInt32LE(crc32(content), 0)
trailer.writeUInt32LE(content.length, 4)
const image = Buffer.concat([header, deflateRawSync(content), trailer])

const folder = fileURLToPath(new URL('../staging/', import.meta.url))
writeFileSync(`${folder}practice-image.bin`, image)
const sha256 = createHash('sha256').update(image).digest('hex')
writeFileSync(`${folder}practice-image.bin.sha256`, `${sha256}  practice-image.bin\n`)
console.log(`practice-image.bin: ${image.length} bytes, SHA-256 ${sha256}`)
