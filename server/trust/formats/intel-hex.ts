/** Intel HEX (Hexadecimal Object File Format Specification, revision A, 1988): each record's checksum, the end record. */
import type { Budget } from './budget.ts'
import { Damage } from './fault.ts'
import type { WholeFormat } from './finding.ts'
import { recordBytes, recordLines } from './record-lines.ts'
import type { ByteSource } from './source.ts'

/** Data bytes a record of each type must have; data records may have any number. */
const LENGTHS: readonly (number | undefined)[] = [undefined, 0, 2, 4, 2, 4]
const END_OF_FILE = 1

export function checkIntelHex(source: ByteSource, budget: Budget): WholeFormat {
  let records = 0
  for (const line of recordLines(source, budget)) {
    if (!line.text.startsWith(':')) throw new Damage('a line does not begin as a record', line.at)
    const bytes = recordBytes(line.text.slice(1), line.at)
    if (bytes.length < 5 || bytes.length !== bytes.readUInt8(0) + 5) {
      throw new Damage('a record does not have the length that it says', line.at)
    }
    // The sum of all bytes, checksum included, is zero modulo 256.
    if (bytes.reduce((sum, byte) => sum + byte, 0) % 256 !== 0) {
      throw new Damage('a record does not have the checksum that is stored', line.at)
    }
    records += 1
    const type = bytes.readUInt8(3)
    if (type >= LENGTHS.length) throw new Damage('a record is of no known type', line.at)
    const length = LENGTHS[type]
    if (length !== undefined && length !== bytes.readUInt8(0))
      throw new Damage('a record has an impossible length', line.at)
    if (type === END_OF_FILE) return { endsAt: line.next, covers: 'contents', detail: `${records} records` }
  }
  throw new Damage('the end record is missing: the file is cut off', source.bytes)
}
