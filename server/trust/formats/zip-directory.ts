/**
 * The directory of a zip file (APPNOTE.TXT 6.3.10, section numbers below): end record, its zip64 form, central
 * headers, and each local header compared with its central one.
 */
import { Damage, need, Uncheckable } from './format-finding.ts'
import type { ByteSource } from './source.ts'

const END = Buffer.from('PK\x05\x06', 'latin1')
const CENTRAL = 0x02014b50
const LOCAL = 0x04034b50
const ZIP64_END = 0x06064b50
const ZIP64_LOCATOR = 0x07064b50
const ALL_ONES = 0xffffffff
/** 4.4.3: 6.3 is the highest version in use; a higher one is damage. */
const HIGHEST_VERSION = 63
/** Flags that both headers must share: encrypted, sizes follow the data, names in UTF-8 (4.4.4). */
const SHARED_FLAGS = 0x0001 | 0x0008 | 0x0800
const MAX_ENTRIES = 500_000

export type ZipEntry = ReturnType<typeof readEntry>['entry']

/** Its entries, in order of their place in the file, and where the zip file ends. */
export function readDirectory(source: ByteSource) {
  const end = findEnd(source)
  if (end.directoryAt + end.directoryBytes !== end.recordAt) {
    throw new Damage('the directory does not stand where the end record says', end.recordAt)
  }
  if (end.entries > MAX_ENTRIES) throw new Uncheckable('It has more entries than are checked here.')
  const entries: ZipEntry[] = []
  let at = end.directoryAt
  while (at < end.recordAt) {
    const { entry, next } = readEntry(source, at, end.directoryAt)
    entries.push(entry)
    if (entries.length > MAX_ENTRIES) throw new Uncheckable('It has more entries than are checked here.')
    at = next
  }
  if (entries.length !== end.entries)
    throw new Damage('the directory has another number of entries', end.recordAt)
  entries.sort((a, b) => a.headerAt - b.headerAt)
  refuseOverlap(entries)
  return { entries, endsAt: end.endsAt }
}

/** Entries that share bytes are made for decompression bombs; no archiver writes them. */
function refuseOverlap(entries: readonly ZipEntry[]): void {
  let free = 0
  for (const { headerAt, dataAt, packedBytes } of entries) {
    if (headerAt < free) throw new Damage('two entries overlap', headerAt)
    free = dataAt + packedBytes
  }
}

/** Looked for from the end, first where it belongs (4.3.16: 22 bytes and a comment), then before any padding. */
function findEnd(source: ByteSource) {
  const pieceBytes = 66_000
  for (let to = source.bytes; to > 0; to -= pieceBytes - END.length) {
    const from = Math.max(0, to - pieceBytes)
    const piece = source.read(from, to - from)
    for (let at = piece.lastIndexOf(END); at >= 0; at = at === 0 ? -1 : piece.lastIndexOf(END, at - 1)) {
      const found = readEnd(source, from + at)
      if (found !== undefined) return found
    }
    if (from === 0) break
  }
  throw new Damage('the directory at the end is missing', source.bytes)
}

/** `recordAt`: where the central headers must have ended, be it this record or the zip64 one before it. */
function readEnd(source: ByteSource, at: number) {
  const record = source.read(at, 22)
  if (record.length < 22) return undefined
  const endsAt = at + 22 + record.readUInt16LE(20)
  if (endsAt > source.bytes || record.readUInt16LE(4) !== record.readUInt16LE(6)) return undefined
  if (record.readUInt16LE(8) !== record.readUInt16LE(10)) return undefined
  const zip64 = readZip64End(source, at)
  if (zip64 !== undefined) return { ...zip64, endsAt }
  const directoryBytes = record.readUInt32LE(12)
  const directoryAt = record.readUInt32LE(16)
  return { entries: record.readUInt16LE(10), directoryAt, directoryBytes, recordAt: at, endsAt }
}

/** 4.3.14, 4.3.15 */
function readZip64End(source: ByteSource, endAt: number) {
  const locator = source.read(Math.max(0, endAt - 20), 20)
  if (locator.length < 20 || locator.readUInt32LE(0) !== ZIP64_LOCATOR) return undefined
  const recordAt = Number(locator.readBigUInt64LE(8))
  const record = need(source, recordAt, 56, 'the zip64 end record')
  if (record.readUInt32LE(0) !== ZIP64_END) throw new Damage('the zip64 end record is missing', recordAt)
  return {
    entries: Number(record.readBigUInt64LE(32)),
    directoryBytes: Number(record.readBigUInt64LE(40)),
    directoryAt: Number(record.readBigUInt64LE(48)),
    recordAt,
  }
}

/** 4.3.12 central header against 4.3.7 local header. */
function readEntry(source: ByteSource, at: number, directoryAt: number) {
  const central = need(source, at, 46, 'the directory')
  if (central.readUInt32LE(0) !== CENTRAL) throw new Damage('the directory does not go on as it must', at)
  const nameBytes = central.readUInt16LE(28)
  const extraBytes = central.readUInt16LE(30)
  const name = need(source, at + 46, nameBytes, 'the directory')
  const sizes = zip64Sizes(central, need(source, at + 46 + nameBytes, extraBytes, 'the directory'), at)
  const local = need(source, sizes.headerAt, 30, 'a local header')
  if (local.readUInt32LE(0) !== LOCAL) throw new Damage('a local header is missing', sizes.headerAt)
  compareHeaders(central, local, sizes.headerAt)
  const localNameAt = sizes.headerAt + 30
  const localExtraAt = localNameAt + local.readUInt16LE(26)
  const dataAt = localExtraAt + local.readUInt16LE(28)
  if (!source.read(localNameAt, localExtraAt - localNameAt).equals(name))
    throw new Damage('a local header has another name than the directory', localNameAt)
  checkExtra(source.read(localExtraAt, dataAt - localExtraAt), sizes.headerAt + 28)
  if (dataAt + sizes.packedBytes > directoryAt)
    throw new Damage('an entry reaches into the directory', sizes.headerAt)
  const entry = {
    ...sizes,
    dataAt,
    crc32: central.readUInt32LE(16),
    method: central.readUInt16LE(10),
    encrypted: (central.readUInt16LE(8) & 1) !== 0,
  }
  return { entry, next: at + 46 + nameBytes + extraBytes + central.readUInt16LE(32) }
}

function compareHeaders(central: Buffer, local: Buffer, headerAt: number): void {
  const differs = (what: string): never => {
    throw new Damage(`a local header has another ${what} than the directory`, headerAt)
  }
  if (central.readUInt8(6) > HIGHEST_VERSION || local.readUInt8(4) > HIGHEST_VERSION) differs('version')
  const flags = local.readUInt16LE(6)
  if (((flags ^ central.readUInt16LE(8)) & SHARED_FLAGS) !== 0) differs('set of flags')
  if (local.readUInt16LE(8) !== central.readUInt16LE(10)) differs('method')
  if ((flags & 0x0008) !== 0) return
  if (local.readUInt32LE(14) !== central.readUInt32LE(16)) differs('CRC-32')
  for (const [localAt, centralAt] of [
    [18, 20],
    [22, 24],
  ] as const) {
    const own = local.readUInt32LE(localAt)
    const other = central.readUInt32LE(centralAt)
    if (own !== other && own !== ALL_ONES && other !== ALL_ONES) differs('size')
  }
}

/** 4.5.1: a sequence of fields that say their length. Aligning tools fill up with zeros, which pass as empty ones. */
function checkExtra(extra: Buffer, at: number): void {
  let index = 0
  while (index + 4 <= extra.length) index += 4 + extra.readUInt16LE(index + 2)
  if (index > extra.length) throw new Damage('the extra field of a local header does not have its length', at)
}

/** 4.5.3: the extra field that holds whatever did not fit into 32 bits, in this order. */
function zip64Sizes(central: Buffer, extra: Buffer, at: number) {
  let wide: Buffer = Buffer.alloc(0)
  for (let index = 0; index + 4 <= extra.length; index += 4 + extra.readUInt16LE(index + 2)) {
    if (extra.readUInt16LE(index) === 1)
      wide = extra.subarray(index + 4, index + 4 + extra.readUInt16LE(index + 2))
  }
  let used = 0
  const field = (offset: number): number => {
    const narrow = central.readUInt32LE(offset)
    if (narrow !== ALL_ONES) return narrow
    if (used + 8 > wide.length) throw new Damage('a size is missing in the directory', at)
    used += 8
    return Number(wide.readBigUInt64LE(used - 8))
  }
  const unpackedBytes = field(24)
  const packedBytes = field(20)
  return { unpackedBytes, packedBytes, headerAt: field(42) }
}
