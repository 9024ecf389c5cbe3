/** zip (APPNOTE.TXT 6.3.10): the directory (zip-directory.ts), then each entry's contents against its CRC-32. */
import { Damage, Uncheckable, type WholeFormat } from './format-finding.ts'
import { inflate } from './inflated.ts'
import { type CheckSource, crc32Of } from './source.ts'
import { readDirectory, type ZipEntry } from './zip-directory.ts'

const STORED = 0
const DEFLATED = 8

export async function checkZip(source: CheckSource): Promise<WholeFormat> {
  const { entries, endsAt } = readDirectory(source)
  let left = 0
  for (const entry of entries) {
    if (entry.encrypted || (entry.method !== STORED && entry.method !== DEFLATED)) left += 1
    else await checkEntry(source, entry)
  }
  if (left > 0) {
    throw new Uncheckable(
      `The directory holds together; ${left} of ${entries.length} entries are encrypted or packed in a way that is not checked here.`,
    )
  }
  return { endsAt, covers: 'contents', detail: `${entries.length} entries` }
}

async function checkEntry(source: CheckSource, entry: ZipEntry): Promise<void> {
  const { dataAt, packedBytes, unpackedBytes } = entry
  const end = dataAt + packedBytes
  const found =
    entry.method === STORED
      ? { crc32: crc32Of(source, dataAt, end), producedBytes: packedBytes, consumedBytes: packedBytes }
      : await inflate(source, dataAt, end)
  if (found.producedBytes !== unpackedBytes || found.consumedBytes !== packedBytes)
    throw new Damage('an entry does not have the size that the directory says', dataAt)
  if (found.crc32 !== entry.crc32)
    throw new Damage('the contents of the entry before this byte do not have the CRC-32 that is stored', end)
}
