/**
 * Flattened device tree (Devicetree Specification v0.4, chapter 5): header, blocks within the file, the walk of
 * all tokens. A tree that carries images with hashes of their data (U-Boot's flattened image tree, its
 * doc/usage/fit) has these compared too.
 */
import { createHash } from 'node:crypto'
import { aligned, type BytesAt, type TreeLayout, treeParts } from './device-tree-walk.ts'
import { Damage, need, needAll, type WholeFormat } from './format-finding.ts'
import { type ByteSource, buffered, type CheckSource, crc32Of, pieces } from './source.ts'

/** 17 is in use; later ones may be read by their compatible version, but not by one that bits fell into. */
const HIGHEST_VERSION = 255
/** As U-Boot names them, and Node.js too; beside these there is `crc32`. */
const HASHES = new Set(['md5', 'sha1', 'sha256', 'sha384', 'sha512'])
const MAX_HASH_BYTES = 64
const MAX_HASH_NAME_BYTES = 16

export function checkDeviceTree(whole: CheckSource): WholeFormat {
  const source = buffered(whole)
  const layout = readLayout(source)
  const images = imagesIn(source, layout)
  let hashed = 0
  let endsAt = layout.totalBytes
  for (const image of images) {
    const data = placeOf(source, image.own, layout)
    if (data === undefined) continue
    endsAt = Math.max(endsAt, data.at + data.bytes)
    if (data.at + data.bytes > source.bytes)
      throw new Damage('the file ends within the data of an image', source.bytes)
    if (image.hashes.filter((hash) => compareHash(source, data, hash)).length > 0) hashed += 1
  }
  if (images.length === 0)
    return { endsAt, covers: 'structure', detail: 'the tree holds together; it carries no checksum' }
  return {
    endsAt,
    covers: hashed === images.length ? 'contents' : 'structure',
    detail: `${hashed} of ${images.length} images in it were compared with their hashes`,
  }
}

/** §5.2 */
function readLayout(source: ByteSource): TreeLayout {
  const header = need(source, 0, 40, 'the header')
  const field = (index: number) => header.readUInt32BE(index * 4)
  const totalBytes = field(1)
  const structureAt = field(2)
  const stringsAt = field(3)
  const reservedAt = field(4)
  const version = field(5)
  const compatible = field(6)
  needAll(source, totalBytes)
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

type Properties = Map<string, BytesAt>

interface FitImage {
  readonly own: Properties
  readonly hashes: Properties[]
}

const KEPT = new Set(['data', 'data-offset', 'data-position', 'data-size', 'algo', 'value'])

/** Depths: 1 the root, 2 `images`, 3 an image, 4 its `hash` nodes. */
function imagesIn(source: ByteSource, layout: TreeLayout): FitImage[] {
  const found: FitImage[] = []
  let insideImages = false
  let hash: Properties | undefined
  for (const { what, name, depth, value } of treeParts(source, layout)) {
    if (depth === 2 && what !== 'property') insideImages = what === 'begin' && name === 'images'
    if (!insideImages) continue
    const image = found.at(-1)
    if (depth === 3 && what === 'begin') found.push({ own: new Map(), hashes: [] })
    if (depth === 4 && what !== 'property') {
      hash = /^hash(?:[-@]|$)/.test(name) ? new Map() : undefined
      if (hash !== undefined) image?.hashes.push(hash)
    }
    if (what !== 'property' || !KEPT.has(name)) continue
    if (depth === 3) image?.own.set(name, value)
    if (depth === 4) hash?.set(name, value)
  }
  return found
}

/** Where an image's data stand: within the tree, or behind it. */
function placeOf(source: ByteSource, own: Properties, layout: TreeLayout): BytesAt | undefined {
  const number = (name: string) => {
    const value = own.get(name)
    return value?.bytes === 4 ? need(source, value.at, 4, 'a property').readUInt32BE(0) : undefined
  }
  const data = own.get('data')
  if (data !== undefined) return data
  const bytes = number('data-size')
  // The offset counts from the tree's end rounded up to four.
  const offset = number('data-offset')
  const at =
    number('data-position') ?? (offset === undefined ? undefined : aligned(layout.totalBytes) + offset)
  return bytes === undefined || at === undefined ? undefined : { at, bytes }
}

/** False when the hash is of a kind that is not known here. */
function compareHash(source: ByteSource, data: BytesAt, hash: Properties): boolean {
  const name = hash.get('algo')
  const value = hash.get('value')
  if (name === undefined || name.bytes > MAX_HASH_NAME_BYTES) return false
  if (value === undefined || value.bytes > MAX_HASH_BYTES) return false
  const algorithm = source.read(name.at, name.bytes).toString('latin1').replace(/\0.*$/s, '')
  const stored = source.read(value.at, value.bytes)
  const own = digestOf(source, data, algorithm)
  if (own === undefined) return false
  if (!own.equals(stored))
    throw new Damage(`the data of an image does not have the ${algorithm} that is stored`, data.at)
  return true
}

function digestOf(source: ByteSource, { at, bytes }: BytesAt, algorithm: string): Buffer | undefined {
  if (algorithm === 'crc32') {
    const digest = Buffer.alloc(4)
    digest.writeUInt32BE(crc32Of(source, at, at + bytes))
    return digest
  }
  if (!HASHES.has(algorithm)) return undefined
  const hash = createHash(algorithm)
  for (const piece of pieces(source, at, at + bytes)) hash.update(piece)
  return hash.digest()
}
