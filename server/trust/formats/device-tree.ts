/**
 * Flattened device tree (Devicetree Specification v0.4, chapter 5): header, blocks within the file, the walk of
 * all tokens. A tree that carries images with hashes of their data (U-Boot's flattened image tree, its
 * doc/usage/fit) has these compared too.
 */
import { createHash } from 'node:crypto'
import { crc32 } from 'node:zlib'
import type { Budget } from './budget.ts'
import { type TreeLayout, type TreeVisitor, walkTree } from './device-tree-walk.ts'
import { Damage } from './fault.ts'
import { need, type WholeFormat } from './finding.ts'
import { type ByteSource, buffered, pieces } from './source.ts'

/** 17 is in use; later ones may be read by their compatible version, but not by one that bits fell into. */
const HIGHEST_VERSION = 255

const HASHES: Readonly<Record<string, string>> = {
  md5: 'md5',
  sha1: 'sha1',
  sha256: 'sha256',
  sha384: 'sha384',
  sha512: 'sha512',
}

export function checkDeviceTree(whole: ByteSource, budget: Budget): WholeFormat {
  const source = buffered(whole)
  const layout = readLayout(source)
  const images = imageCollector(source)
  walkTree(source, layout, images.visitor, budget)
  let hashed = 0
  let endsAt = layout.totalBytes
  for (const image of images.found) {
    const data = placeOf(image, layout)
    if (data === undefined) continue
    endsAt = Math.max(endsAt, data.at + data.bytes)
    if (data.at + data.bytes > source.bytes)
      throw new Damage('the file ends within the data of an image', source.bytes)
    const compared = image.hashes.filter((hash) => compareHash(source, data, hash, budget))
    if (compared.length > 0) hashed += 1
  }
  const count = images.found.length
  if (count === 0)
    return { endsAt, covers: 'structure', detail: 'the tree holds together; it carries no checksum' }
  return {
    endsAt,
    covers: hashed === count ? 'contents' : 'structure',
    detail: `${hashed} of ${count} images in it were compared with their hashes`,
  }
}

/** §5.2 */
function readLayout(source: ByteSource): TreeLayout {
  const header = need(source, 0, 40, 'the header')
  const field = (index: number) => header.readUInt32BE(index * 4)
  const totalBytes = field(1)
  const [structureAt, stringsAt, reservedAt, version, compatible] = [
    field(2),
    field(3),
    field(4),
    field(5),
    field(6),
  ]
  if (totalBytes > source.bytes)
    throw new Damage(`the file ends ${totalBytes - source.bytes} bytes too early`, source.bytes)
  if (version < 16 || version > HIGHEST_VERSION || compatible > 17 || compatible > version)
    throw new Damage('the version is impossible', 20)
  const structureEnd = version >= 17 ? structureAt + field(9) : totalBytes
  const stringsEnd = stringsAt + field(8)
  const outside = [structureEnd, stringsEnd, reservedAt + 16].some((end) => end > totalBytes)
  if (outside || structureAt < 40 || structureAt % 4 !== 0)
    throw new Damage('a block lies outside the tree', 8)
  checkReservations(source, reservedAt, structureAt > reservedAt ? structureAt : totalBytes)
  return { totalBytes, structureAt, structureEnd, stringsAt, stringsEnd }
}

/** §5.3: pairs of address and size, ended by a pair of zeros. */
function checkReservations(source: ByteSource, from: number, end: number): void {
  for (let at = from; at + 16 <= end; at += 16) {
    if (need(source, at, 16, 'the memory reservations').every((byte) => byte === 0)) return
  }
  throw new Damage('the memory reservations have no end', from)
}

interface Hash {
  algorithm?: string
  valueAt?: number
  valueBytes?: number
}

interface FitImage {
  dataAt?: number
  dataBytes?: number
  dataOffset?: number
  dataPosition?: number
  dataSize?: number
  readonly hashes: Hash[]
}

/** Depths: 1 the root, 2 `images`, 3 an image, 4 its `hash` nodes. */
function imageCollector(source: ByteSource) {
  const found: FitImage[] = []
  let insideImages = false
  let hash: Hash | undefined
  const number = (at: number) => need(source, at, 4, 'a property').readUInt32BE(0)
  const visitor: TreeVisitor = {
    begin(name, depth) {
      if (depth === 2) insideImages = name === 'images'
      if (!insideImages || depth < 3 || depth > 4) return
      if (depth === 3) found.push({ hashes: [] })
      hash = depth === 4 && /^hash(?:[-@]|$)/.test(name) ? {} : undefined
      if (hash !== undefined) found.at(-1)?.hashes.push(hash)
    },
    property(name, at, bytes, depth) {
      const image = insideImages && depth === 3 ? found.at(-1) : undefined
      if (image !== undefined) {
        if (name === 'data') Object.assign(image, { dataAt: at, dataBytes: bytes })
        else if (bytes !== 4) return
        else if (name === 'data-offset') image.dataOffset = number(at)
        else if (name === 'data-position') image.dataPosition = number(at)
        else if (name === 'data-size') image.dataSize = number(at)
      } else if (insideImages && depth === 4 && hash !== undefined) {
        if (name === 'value') Object.assign(hash, { valueAt: at, valueBytes: bytes })
        if (name === 'algo' && bytes <= 16) hash.algorithm = textOf(source.read(at, bytes))
      }
    },
    end(depth) {
      if (depth <= 2) insideImages = false
      if (depth === 4) hash = undefined
    },
  }
  return { found, visitor }
}

function textOf(bytes: Buffer): string {
  return bytes.toString('latin1').replace(/\0.*$/s, '')
}

/** Within the tree, or behind it: `data-offset` counts from the tree's end rounded up to four. */
function placeOf(image: FitImage, layout: TreeLayout): { at: number; bytes: number } | undefined {
  if (image.dataAt !== undefined && image.dataBytes !== undefined)
    return { at: image.dataAt, bytes: image.dataBytes }
  if (image.dataSize === undefined) return undefined
  if (image.dataPosition !== undefined) return { at: image.dataPosition, bytes: image.dataSize }
  if (image.dataOffset === undefined) return undefined
  return { at: Math.ceil(layout.totalBytes / 4) * 4 + image.dataOffset, bytes: image.dataSize }
}

/** False when the hash is of a kind that is not known here. */
function compareHash(
  source: ByteSource,
  data: { at: number; bytes: number },
  hash: Hash,
  budget: Budget,
): boolean {
  const { algorithm, valueAt, valueBytes } = hash
  if (algorithm === undefined || valueAt === undefined || valueBytes === undefined || valueBytes > 64)
    return false
  const stored = source.read(valueAt, valueBytes)
  const own = digestOf(source, data, algorithm, budget)
  if (own === undefined) return false
  if (!own.equals(stored))
    throw new Damage(`the data of an image does not have the ${algorithm} that is stored`, data.at)
  return true
}

function digestOf(
  source: ByteSource,
  data: { at: number; bytes: number },
  algorithm: string,
  budget: Budget,
) {
  const name = HASHES[algorithm]
  if (name === undefined && algorithm !== 'crc32') return undefined
  const hash = name === undefined ? undefined : createHash(name)
  let crc = 0
  for (const piece of pieces(source, data.at, data.at + data.bytes)) {
    budget.tick()
    if (hash === undefined) crc = crc32(piece, crc)
    else hash.update(piece)
  }
  if (hash !== undefined) return hash.digest()
  const bytes = Buffer.alloc(4)
  bytes.writeUInt32BE(crc)
  return bytes
}
