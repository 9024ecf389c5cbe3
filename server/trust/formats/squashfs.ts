/**
 * squashfs 4.0 (the kernel's Documentation/filesystems/squashfs.rst and its squashfs_fs.h): the superblock,
 * its length against the file, the tables it points at, and the chains of metadata blocks of inodes and
 * directories. File contents carry no checksum of their own.
 */
import { inflateSync } from 'node:zlib'
import { Damage, need, needAll, Uncheckable, type WholeFormat } from './format-finding.ts'
import { type ByteSource, buffered, type CheckSource, sourceOfBytes } from './source.ts'
import { checkXz } from './xz.ts'
import { checkZstd } from './zstd.ts'

const SUPERBLOCK_BYTES = 96
const METADATA_BYTES = 8192
const ABSENT = 0xffff_ffff_ffff_ffffn
const COMPRESSIONS = 6

export async function checkSquashfs(whole: CheckSource): Promise<WholeFormat> {
  const source = buffered(whole)
  const { endsAt, inodesAt, directoriesAt, attributesAt, lists, compression } = readSuperblock(source)
  needAll(source, endsAt)
  const firsts = lists.map((list) => checkList(source, list, endsAt))
  if (attributesAt !== undefined) firsts.push(checkAttributes(source, attributesAt, endsAt))
  const directoriesEnd = Math.min(endsAt, ...firsts)
  if (inodesAt < SUPERBLOCK_BYTES || inodesAt > directoriesAt || directoriesAt > directoriesEnd) {
    throw new Damage('the tables do not stand in their order', 64)
  }
  await walkMetadata(source, inodesAt, directoriesAt, compression)
  await walkMetadata(source, directoriesAt, directoriesEnd, compression)
  return {
    endsAt,
    covers: 'structure',
    detail: 'superblock and tables hold together; squashfs carries no checksum of the files in it',
  }
}

function readSuperblock(source: ByteSource) {
  const block = need(source, 0, SUPERBLOCK_BYTES, 'the superblock')
  const blockBytes = block.readUInt32LE(12)
  const compression = block.readUInt16LE(20)
  const blockLog = block.readUInt16LE(22)
  if (block.readUInt16LE(28) !== 4 || block.readUInt16LE(30) !== 0)
    throw new Damage('the version is not 4.0', 28)
  if (blockLog < 12 || blockLog > 20 || blockBytes !== 2 ** blockLog)
    throw new Damage('the block size is impossible', 12)
  if (compression < 1 || compression > COMPRESSIONS)
    throw new Damage('the compression is none that is defined', 20)
  const place = (at: number) => Number(block.readBigUInt64LE(at))
  const list = (at: number, entries: number, entryBytes: number, what: string) =>
    entries === 0 || block.readBigUInt64LE(at) === ABSENT
      ? []
      : [{ at: place(at), pointers: Math.ceil((entries * entryBytes) / METADATA_BYTES), what }]
  return {
    compression,
    endsAt: place(40),
    inodesAt: place(64),
    directoriesAt: place(72),
    attributesAt: block.readBigUInt64LE(56) === ABSENT ? undefined : place(56),
    /** Tables that are lists of pointers to metadata blocks: where the list stands and how many pointers. */
    lists: [
      ...list(48, block.readUInt16LE(26), 4, 'owner'),
      ...list(80, block.readUInt32LE(16), 16, 'fragment'),
      ...list(88, block.readUInt32LE(4), 8, 'export'),
    ],
  }
}

type PointerList = ReturnType<typeof readSuperblock>['lists'][number]

/** Returns where the list's first metadata block stands. */
function checkList(source: ByteSource, list: PointerList, endsAt: number): number {
  const damaged = () => new Damage(`the ${list.what} table lies outside the file system`, list.at)
  if (list.at + list.pointers * 8 > endsAt) throw damaged()
  let first = list.at
  for (let index = 0; index < list.pointers; index += 1) {
    const pointer = Number(need(source, list.at + index * 8, 8, `the ${list.what} table`).readBigUInt64LE(0))
    if (pointer < SUPERBLOCK_BYTES || pointer >= list.at) throw damaged()
    if (index === 0) first = pointer
  }
  return first
}

/** The table of extended attributes says itself where its metadata begins. */
function checkAttributes(source: ByteSource, at: number, endsAt: number): number {
  const first = at + 16 > endsAt ? 0 : Number(need(source, at, 16, 'the attribute table').readBigUInt64LE(0))
  if (first < SUPERBLOCK_BYTES || first > at)
    throw new Damage('the attribute table lies outside the file system', 56)
  return first
}

/** Metadata blocks (squashfs.rst, "Metadata blocks"): a length with a bit for "stored as it is", then the block. */
async function walkMetadata(
  source: CheckSource,
  from: number,
  to: number,
  compression: number,
): Promise<void> {
  const unpack = UNPACKERS[compression]
  let at = from
  while (at < to) {
    const head = need(source, at, 2, 'a table').readUInt16LE(0)
    const length = head & 0x7fff
    if (length === 0 || length > METADATA_BYTES)
      throw new Damage('a metadata block has an impossible length', at)
    const block = source.read(at + 2, length)
    try {
      if ((head & 0x8000) === 0) await unpack?.(block, source.spend)
    } catch (error) {
      // What the decoder cannot do is no fault of the block; that the time is over the next reading says.
      if (!(error instanceof Uncheckable)) throw new Damage('a metadata block cannot be unpacked', at)
    }
    at += 2 + length
  }
  if (at !== to) throw new Damage('a table does not end where the next one begins', at)
}

type Unpacker = (packed: Buffer, spend: CheckSource['spend']) => unknown

/** By the number of the compression (squashfs_fs.h); metadata packed with lzma, lzo or lz4 is not unpacked. */
const UNPACKERS: Readonly<Record<number, Unpacker>> = {
  1: (packed) => inflateSync(packed, { maxOutputLength: METADATA_BYTES }),
  4: (packed, spend) => checkXz({ ...sourceOfBytes(packed), spend }),
  6: (packed, spend) => checkZstd({ ...sourceOfBytes(packed), spend }),
}
