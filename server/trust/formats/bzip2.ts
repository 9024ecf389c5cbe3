/**
 * bzip2: every block's CRC and every stream's, by the seek-bzip decoder. There is no formal standard; the
 * format is what its reference implementation reads.
 */
import Bunzip from 'seek-bzip'
import { messageOf } from '../../errors.ts'
import { Damage, isNoFault, Uncheckable, type WholeFormat } from './format-finding.ts'
import { type ByteSource, type CheckSource, SOURCE_PIECE_BYTES } from './source.ts'

const SPEND_STEP_BYTES = 64 * 1024

export function checkBzip2(source: CheckSource): WholeFormat {
  let at = 0
  let streams = 0
  do {
    at = checkStream(source, at)
    streams += 1
  } while (beginsStream(source, at))
  return { endsAt: at, covers: 'contents', ...(streams > 1 ? { detail: `${streams} streams` } : {}) }
}

function beginsStream(source: ByteSource, at: number): boolean {
  return /^BZh[1-9]$/.test(source.read(at, 4).toString('latin1'))
}

/** Decodes one stream and returns where it ends: at a byte's border, the padding bits belong to it. */
function checkStream(source: CheckSource, start: number): number {
  const input = byteReader(source, start)
  let unspent = 0
  const output = {
    writeByte() {
      unspent += 1
      if (unspent < SPEND_STEP_BYTES) return
      source.spend(unspent)
      unspent = 0
    },
  }
  try {
    Bunzip.decode(input, output, false)
  } catch (error) {
    if (isNoFault(error) || error instanceof Damage) throw error
    const why = messageOf(error)
    if (why.startsWith('Obsolete'))
      throw new Uncheckable('It was made by a bzip2 too old to be checked here.')
    throw new Damage(`a block before this byte is not what its checksum says (${why})`, input.at())
  }
  return input.at()
}

/** The decoder asks byte by byte; without `eof` it reads on until the stream ends by its own mark. */
function byteReader(source: ByteSource, start: number) {
  let pieceAt = start
  let piece: Buffer = Buffer.alloc(0)
  let next = 0
  function readByte(): number {
    const byte = piece[next]
    if (byte !== undefined) {
      next += 1
      return byte
    }
    pieceAt += piece.length
    piece = source.read(pieceAt, SOURCE_PIECE_BYTES)
    next = 0
    if (piece.length === 0) throw new Damage('the file ends before the end of the bzip2 data', pieceAt)
    return readByte()
  }
  return {
    readByte,
    at: () => pieceAt + next,
    read(buffer: Uint8Array, offset: number, length: number): number {
      for (let index = 0; index < length; index += 1) buffer[offset + index] = readByte()
      return length
    },
  }
}
