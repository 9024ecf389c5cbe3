/**
 * tar (POSIX.1-2024, pax, "ustar Interchange Format"; GNU tar manual for its extensions): each header's
 * checksum, sizes within the file, and two zero blocks at the end. Contents carry no checksum.
 */
import { Damage, need, Uncheckable, type WholeFormat } from './format-finding.ts'
import { type ByteSource, buffered, type CheckSource } from './source.ts'

const BLOCK = 512
const MAX_PAX_BYTES = 1024 * 1024
/** Links, devices, folders and pipes have no data, whatever their size field says (POSIX, typeflag 1 to 6). */
const WITHOUT_DATA = new Set(['1', '2', '3', '4', '5', '6'])

/** Whether these first 512 bytes are a tar header: by the magic, or, before ustar, by the checksum alone. */
export function looksLikeTar(head: Buffer): boolean {
  if (head.length < BLOCK || head[0] === 0) return false
  return head.subarray(257, 262).toString('latin1') === 'ustar' || checksumHolds(head)
}

/** A first header that cannot be but tar's, its checksum aside: for files whose name promises tar. */
export function looksLikeDamagedTar(head: Buffer): boolean {
  if (head.length < BLOCK) return true
  return octal(head.subarray(148, 156)) !== undefined || octal(head.subarray(124, 136)) !== undefined
}

export function checkTar(whole: CheckSource): WholeFormat {
  const source = buffered(whole)
  let at = 0
  let members = 0
  let paxSize: number | undefined
  // Whether the last header only spoke of the member that follows it.
  let pending = false
  for (;;) {
    const header = source.read(at, BLOCK)
    if (header.length === 0 && pending)
      throw new Damage('the file ends before the member that a header announces', at)
    if (header.length < BLOCK && isZero(header)) throw withoutEnd(members)
    if (header.length < BLOCK) throw new Damage('the file ends within a header', at + header.length)
    if (isZero(header)) return endAt(source, at, members)
    if (!checksumHolds(header)) throw new Damage('a header does not have the checksum that is stored', at)
    const kind = String.fromCharCode(header[156] ?? 0)
    const size = WITHOUT_DATA.has(kind) ? 0 : (paxSize ?? sizeOf(header, at))
    const dataAt = at + BLOCK + (kind === 'S' ? sparseBytes(source, at, header) : 0)
    at = dataAt + Math.ceil(size / BLOCK) * BLOCK
    if (at > source.bytes) throw new Damage('the file ends within a member', source.bytes)
    pending = kind === 'x' || kind === 'L' || kind === 'K'
    if (kind === 'x') paxSize = sizeInPax(source, dataAt, size)
    else if (!pending) {
      paxSize = undefined
      if (kind !== 'g') members += 1
    }
  }
}

function withoutEnd(members: number): Uncheckable {
  return new Uncheckable(
    `The ${members} members hold together, but the mark at the end is missing: it may have been cut off after one of them.`,
  )
}

function endAt(source: ByteSource, at: number, members: number): WholeFormat {
  const second = source.read(at + BLOCK, BLOCK)
  if (second.length < BLOCK || !isZero(second)) throw withoutEnd(members)
  return {
    endsAt: at + 2 * BLOCK,
    covers: 'structure',
    detail: `${members} members; tar carries no checksum of their contents`,
  }
}

function isZero(block: Buffer): boolean {
  return block.every((byte) => byte === 0)
}

/** The sum of all bytes with the checksum field taken as blanks; some old writers added signed bytes. */
function checksumHolds(header: Buffer): boolean {
  const stored = octal(header.subarray(148, 156))
  if (stored === undefined) return false
  let unsigned = 0
  let signed = 0
  for (let index = 0; index < BLOCK; index += 1) {
    const byte = index >= 148 && index < 156 ? 0x20 : (header[index] ?? 0)
    unsigned += byte
    signed += byte > 127 ? byte - 256 : byte
  }
  return stored === unsigned || stored === signed
}

function octal(field: Buffer): number | undefined {
  const text = field.toString('latin1').replace(/[\0 ].*$/s, (rest) => (rest.trim() === '' ? '' : rest))
  const digits = /^[ ]*([0-7]+)(?:[ \0].*)?$/s.exec(text)?.[1]
  return digits === undefined ? undefined : Number.parseInt(digits, 8)
}

/** Octal, or GNU's base 256 with the top bit set. */
function sizeOf(header: Buffer, at: number): number {
  const field = header.subarray(124, 136)
  const isBinary = (field.readUInt8(0) & 0x80) !== 0
  const size = isBinary ? base256(field) : isZero(field) ? 0 : octal(field)
  if (size === undefined) throw new Damage('a header has an impossible size', at + 124)
  return size
}

function base256(field: Buffer): number | undefined {
  const size = Number(field.readBigUInt64BE(4))
  return field[0] === 0x80 && Number.isSafeInteger(size) ? size : undefined
}

/** GNU's old sparse members: further blocks of the map while the byte that says so is set. */
function sparseBytes(source: ByteSource, at: number, header: Buffer): number {
  let extra = 0
  let more = (header[482] ?? 0) !== 0
  while (more) {
    extra += BLOCK
    more = need(source, at + extra, BLOCK, 'a map of a sparse member').readUInt8(504) !== 0
  }
  return extra
}

/** A size of 8 GiB and more stands in the extended header before (POSIX, "pax Extended Header"). */
function sizeInPax(source: ByteSource, at: number, bytes: number): number | undefined {
  if (bytes > MAX_PAX_BYTES) return undefined
  const found = /(?:^|\n)\d+ size=(\d+)\n/.exec(source.read(at, bytes).toString('latin1'))
  return found?.[1] === undefined ? undefined : Number(found[1])
}
