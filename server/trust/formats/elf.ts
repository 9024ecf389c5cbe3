/**
 * ELF (System V gABI, chapters 4 and 5): the header, and that both header tables, all segments and all sections
 * lie within the file. Contents carry no checksum.
 */
import { Damage, need, type WholeFormat } from './format-finding.ts'
import { type ByteSource, buffered, type CheckSource } from './source.ts'

const NO_BITS = 8
/** e_phnum when the number did not fit; it then stands in the first section header. */
const EXTENDED = 0xffff

export function checkElf(whole: CheckSource): WholeFormat {
  const source = buffered(whole)
  const identity = need(source, 0, 16, 'the header')
  const kind = identity.readUInt8(4)
  const order = identity.readUInt8(5)
  if (kind !== 1 && kind !== 2) throw new Damage('the class is neither 32 nor 64 bits', 4)
  if (order !== 1 && order !== 2) throw new Damage('the byte order is none that is defined', 5)
  if (identity.readUInt8(6) !== 1) throw new Damage('the version is not 1', 6)
  const fields = fieldsOf(source, kind === 2, order === 1)
  const headerBytes = fields.half(0, 40, 52)
  if (headerBytes !== (fields.is64 ? 64 : 52))
    throw new Damage('the header does not have its size', fields.is64 ? 52 : 40)
  if (fields.word(0, 20, 20) !== 1) throw new Damage('the version is not 1', 20)
  return {
    endsAt: Math.max(headerBytes, checkSections(source, fields), checkSegments(source, fields)),
    covers: 'structure',
    detail: 'all segments and sections are there; ELF carries no checksum of them',
  }
}

type Fields = ReturnType<typeof fieldsOf>

/** Reads fields of either class and byte order: their offsets in 32 bits and in 64 bits are given side by side. */
function fieldsOf(source: ByteSource, is64: boolean, little: boolean) {
  const sized = (bytes32: number, bytes64: number) => (base: number, in32: number, in64: number) => {
    const bytes = is64 ? bytes64 : bytes32
    const field = need(source, base + (is64 ? in64 : in32), bytes, 'a header')
    if (bytes === 8) return Number(little ? field.readBigUInt64LE(0) : field.readBigUInt64BE(0))
    return little ? field.readUIntLE(0, bytes) : field.readUIntBE(0, bytes)
  }
  return { is64, half: sized(2, 2), word: sized(4, 4), wide: sized(4, 8) }
}

interface Table {
  readonly at: number
  readonly entryBytes: number
  readonly entries: number
}

/** gABI chapter 4, "Sections". Returns where the last of them ends, the table included. */
function checkSections(source: ByteSource, fields: Fields): number {
  const at = fields.wide(0, 32, 40)
  const entryBytes = fields.half(0, 46, 58)
  if (at === 0) return 0
  const few = fields.half(0, 48, 60)
  const entries = few === 0 ? fields.wide(at, 20, 32) : few
  const table = { at, entryBytes, entries }
  const tableEnd = checkTable(source, table, fields.is64 ? 64 : 40, 'section')
  const named = fields.half(0, 50, 62)
  const names = named === EXTENDED ? fields.word(at, 24, 40) : named
  if (names !== 0 && names >= entries)
    throw new Damage('the section of names is none of its sections', fields.is64 ? 62 : 50)
  return furthestEnd(source, table, tableEnd, 'section', (entry, index) => {
    const type = fields.word(entry, 4, 4)
    if (index === 0 || type === NO_BITS || type === 0) return 0
    return fields.wide(entry, 16, 24) + fields.wide(entry, 20, 32)
  })
}

/** gABI chapter 5, "Program Header". */
function checkSegments(source: ByteSource, fields: Fields): number {
  const few = fields.half(0, 44, 56)
  const entries = few === EXTENDED ? fields.word(fields.wide(0, 32, 40), 28, 44) : few
  const table = { at: fields.wide(0, 28, 32), entryBytes: fields.half(0, 42, 54), entries }
  const tableEnd = checkTable(source, table, fields.is64 ? 56 : 32, 'program header')
  return furthestEnd(source, table, tableEnd, 'segment', (entry) => {
    const bytes = fields.wide(entry, 16, 32)
    return fields.word(entry, 0, 0) === 0 || bytes === 0 ? 0 : fields.wide(entry, 4, 8) + bytes
  })
}

function checkTable(source: ByteSource, table: Table, expectedBytes: number, what: string): number {
  if (table.entries === 0) return 0
  if (table.entryBytes !== expectedBytes)
    throw new Damage(`the ${what} table does not have its entry size`, table.at)
  const end = table.at + table.entries * table.entryBytes
  if (end > source.bytes) throw new Damage(`the file ends before the end of its ${what} table`, source.bytes)
  return end
}

/** `endOf`: where what an entry describes ends; 0 when it has no bytes in the file. */
function furthestEnd(
  source: ByteSource,
  { at, entryBytes, entries }: Table,
  tableEnd: number,
  what: string,
  endOf: (entry: number, index: number) => number,
): number {
  let furthest = tableEnd
  for (let index = 0; index < entries; index += 1) {
    const end = endOf(at + index * entryBytes, index)
    if (end > source.bytes) throw new Damage(`the file ends before the end of ${what} ${index}`, source.bytes)
    furthest = Math.max(furthest, end)
  }
  return furthest
}
