/**
 * ELF (System V gABI, chapters 4 and 5): the header, and that both header tables, all segments and all sections
 * lie within the file. Contents carry no checksum.
 */
import type { Budget } from './budget.ts'
import { Damage } from './fault.ts'
import { need, type WholeFormat } from './finding.ts'
import { type ByteSource, buffered } from './source.ts'

const NO_BITS = 8
/** e_phnum when the number did not fit; it then stands in the first section header. */
const EXTENDED = 0xffff

/** Reads fields of either class and byte order: offsets for 32 bits and for 64 bits are given side by side. */
type Fields = ReturnType<typeof fieldsOf>

export function checkElf(whole: ByteSource, budget: Budget): WholeFormat {
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
  const sectionsEnd = checkSections(source, fields, budget)
  const segmentsEnd = checkSegments(source, fields, budget)
  return {
    endsAt: Math.max(headerBytes, sectionsEnd, segmentsEnd),
    covers: 'structure',
    detail: 'all segments and sections are there; ELF carries no checksum of them',
  }
}

function fieldsOf(source: ByteSource, is64: boolean, little: boolean) {
  const at = (base: number, in32: number, in64: number) => base + (is64 ? in64 : in32)
  const bytes = (position: number, length: number) => need(source, position, length, 'a header')
  const word = (position: number) => {
    const field = bytes(position, 4)
    return little ? field.readUInt32LE(0) : field.readUInt32BE(0)
  }
  return {
    is64,
    half(base: number, in32: number, in64: number): number {
      const field = bytes(at(base, in32, in64), 2)
      return little ? field.readUInt16LE(0) : field.readUInt16BE(0)
    },
    word: (base: number, in32: number, in64: number): number => word(at(base, in32, in64)),
    /** 32 bits wide in ELF32, 64 bits wide in ELF64. */
    wide(base: number, in32: number, in64: number): number {
      const position = at(base, in32, in64)
      if (!is64) return word(position)
      const field = bytes(position, 8)
      return Number(little ? field.readBigUInt64LE(0) : field.readBigUInt64BE(0))
    },
  }
}

interface Table {
  readonly at: number
  readonly entryBytes: number
  readonly entries: number
}

function checkTable(source: ByteSource, table: Table, expectedBytes: number, what: string): number {
  if (table.entries === 0) return 0
  if (table.entryBytes !== expectedBytes)
    throw new Damage(`the ${what} table does not have its entry size`, table.at)
  const end = table.at + table.entries * table.entryBytes
  if (end > source.bytes) throw new Damage(`the file ends before the end of its ${what} table`, source.bytes)
  return end
}

/** gABI chapter 4, "Sections". */
function checkSections(source: ByteSource, fields: Fields, budget: Budget): number {
  const at = fields.wide(0, 32, 40)
  const entryBytes = fields.half(0, 46, 58)
  if (at === 0) return 0
  const few = fields.half(0, 48, 60)
  const entries = few === 0 ? fields.wide(at, 20, 32) : few
  let end = checkTable(source, { at, entryBytes, entries }, fields.is64 ? 64 : 40, 'section')
  const named = fields.half(0, 50, 62)
  const names = named === EXTENDED ? fields.word(at, 24, 40) : named
  if (names !== 0 && names >= entries)
    throw new Damage('the section of names is none of its sections', fields.is64 ? 62 : 50)
  for (let index = 1; index < entries; index += 1) {
    const entry = at + index * entryBytes
    const type = fields.word(entry, 4, 4)
    budget.tick()
    if (type === NO_BITS || type === 0) continue
    const sectionEnd = fields.wide(entry, 16, 24) + fields.wide(entry, 20, 32)
    if (sectionEnd > source.bytes)
      throw new Damage(`the file ends before the end of section ${index}`, source.bytes)
    end = Math.max(end, sectionEnd)
  }
  return end
}

/** gABI chapter 5, "Program Header". */
function checkSegments(source: ByteSource, fields: Fields, budget: Budget): number {
  const at = fields.wide(0, 28, 32)
  const entryBytes = fields.half(0, 42, 54)
  const few = fields.half(0, 44, 56)
  const entries = few === EXTENDED ? fields.word(fields.wide(0, 32, 40), 28, 44) : few
  let end = checkTable(source, { at, entryBytes, entries }, fields.is64 ? 56 : 32, 'program header')
  for (let index = 0; index < entries; index += 1) {
    const entry = at + index * entryBytes
    budget.tick()
    const bytes = fields.wide(entry, 16, 32)
    if (fields.word(entry, 0, 0) === 0 || bytes === 0) continue
    const segmentEnd = fields.wide(entry, 4, 8) + bytes
    if (segmentEnd > source.bytes)
      throw new Damage(`the file ends before the end of segment ${index}`, source.bytes)
    end = Math.max(end, segmentEnd)
  }
  return end
}
