/** zip (APPNOTE.TXT 6.3.10): the directory (zip-directory.ts), then each entry's contents against its CRC-32. */
import { crc32 } from 'node:zlib'
import type { Budget } from './budget.ts'
import { Damage, Uncheckable } from './fault.ts'
import type { WholeFormat } from './finding.ts'
import { inflate } from './inflated.ts'
import { type ByteSource, pieces } from './source.ts'
import { readDirectory, type ZipEntry } from './zip-directory.ts'

const STORED = 0
const DEFLATED = 8

export async function checkZip(source: ByteSource, budget: Budget): Promise<WholeFormat> {
  const { entries, endsAt } = readDirectory(source, budget)
  let left = 0
  for (const entry of entries) {
    if (entry.encrypted || (entry.method !== STORED && entry.method !== DEFLATED)) left += 1
    else await checkEntry(source, entry, budget)
  }
  if (left > 0) {
    throw new Uncheckable(
      `The directory holds together; ${left} of ${entries.length} entries are encrypted or packed in a way that is not checked here.`,
    )
  }
  return { endsAt, covers: 'contents', detail: `${entries.length} entries` }
}

async function checkEntry(source: ByteSource, entry: ZipEntry, budget: Budget): Promise<void> {
  const end = entry.dataAt + entry.packedBytes
  const found =
    entry.method === STORED ? stored(source, entry, budget) : await deflated(source, entry, budget)
  if (found.producedBytes !== entry.unpackedBytes || found.consumedBytes !== entry.packedBytes) {
    throw new Damage('an entry does not have the size that the directory says', entry.dataAt)
  }
  if (found.crc32 !== entry.crc32) {
    throw new Damage('the contents of the entry before this byte do not have the CRC-32 that is stored', end)
  }
}

function deflated(source: ByteSource, entry: ZipEntry, budget: Budget) {
  return inflate(source, entry.dataAt, entry.dataAt + entry.packedBytes, budget)
}

function stored(source: ByteSource, entry: ZipEntry, budget: Budget) {
  let crc = 0
  for (const piece of pieces(source, entry.dataAt, entry.dataAt + entry.packedBytes)) {
    crc = crc32(piece, crc)
    budget.tick()
  }
  return { crc32: crc, producedBytes: entry.packedBytes, consumedBytes: entry.packedBytes }
}
