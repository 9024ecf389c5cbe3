/**
 * xz: the structure first (xz-structure.ts), then the contents against their CRC-32 or CRC-64 by xz-embedded,
 * compiled to WebAssembly in xz-decompress. That decoder knows neither SHA-256 checks nor filters before LZMA2
 * nor dictionaries over 64 MiB; then the structure alone is checked, and that is said.
 */
import xz from 'xz-decompress'
import { messageOf } from '../../errors.ts'
import { Damage, isNoFault, Uncheckable, type WholeFormat } from './format-finding.ts'
import { type ByteSource, buffered, type CheckSource, pieces } from './source.ts'
import { walkStream, XZ_MAGIC, type XzStream } from './xz-structure.ts'

/** xz-embedded's `enum xz_ret` (its xz.h): no memory, dictionary too large, options not built in. */
const BEYOND_DECODER = /error code [2346]$/

export async function checkXz(source: CheckSource): Promise<WholeFormat> {
  const steps = buffered(source)
  const streams: XzStream[] = []
  let at = 0
  let endsAt = 0
  // Streams follow each other; between them zeros in multiples of four ("stream padding", 2.2).
  while (source.read(at, 6).equals(XZ_MAGIC)) {
    const stream = walkStream(steps, at)
    streams.push(stream)
    endsAt = stream.endsAt
    at = afterPadding(steps, endsAt)
  }
  for (const stream of streams) {
    if (stream.beyondDecoder !== undefined) throw structureOnly(stream.beyondDecoder)
    await decodeStream(source, stream)
  }
  return streams.every((stream) => stream.hasCheck)
    ? { endsAt, covers: 'contents' }
    : { endsAt, covers: 'structure', detail: 'it decodes, but carries no check of its contents' }
}

function afterPadding(source: ByteSource, from: number): number {
  let at = from
  for (;;) {
    const word = source.read(at, 4)
    if (word.length < 4 || word.readUInt32LE(0) !== 0) return at
    at += 4
  }
}

function structureOnly(why: string): Uncheckable {
  return new Uncheckable(`Headers, index and sizes hold together; the contents were not checked: ${why}.`)
}

async function decodeStream(source: CheckSource, stream: XzStream): Promise<void> {
  let at = stream.startsAt
  const reading = pieces(source, at, stream.endsAt)
  const packed = new ReadableStream<Uint8Array>({
    pull(controller) {
      const next = reading.next()
      if (next.done === true) controller.close()
      else {
        at += next.value.length
        controller.enqueue(next.value)
      }
    },
  })
  let made = 0
  try {
    for await (const chunk of new xz.XzReadableStream(packed)) {
      made += chunk.length
      source.spend(chunk.length)
    }
  } catch (error) {
    if (isNoFault(error)) throw error
    const why = messageOf(error)
    if (BEYOND_DECODER.test(why)) throw structureOnly('the decoder at hand does not take this kind')
    throw new Damage('the packed data before this byte is not what its check says', at)
  }
  if (made !== stream.unpackedBytes)
    throw new Damage('the unpacked data does not have the length that is stored', at)
}
