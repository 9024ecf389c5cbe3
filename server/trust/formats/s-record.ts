/**
 * S-record: each record's checksum and length, the count record, the terminator (the format's description in
 * the srec(5) manual page; common practice).
 */
import type { Budget } from './budget.ts'
import { Damage } from './fault.ts'
import type { WholeFormat } from './finding.ts'
import { recordBytes, recordLines } from './record-lines.ts'
import type { ByteSource } from './source.ts'

/** Bytes of the address by record type; S4 is reserved. */
const ADDRESS_BYTES: readonly (number | undefined)[] = [2, 2, 3, 4, undefined, 2, 3, 4, 3, 2]

export function checkSRecord(source: ByteSource, budget: Budget): WholeFormat {
  let dataRecords = 0
  for (const line of recordLines(source, budget)) {
    const type = /^S([0-9])/.exec(line.text)?.[1]
    const addressBytes = type === undefined ? undefined : ADDRESS_BYTES[Number(type)]
    if (type === undefined || addressBytes === undefined)
      throw new Damage('a line does not begin as a record', line.at)
    const bytes = recordBytes(line.text.slice(2), line.at)
    if (bytes.length < addressBytes + 2 || bytes.length !== bytes.readUInt8(0) + 1) {
      throw new Damage('a record does not have the length that it says', line.at)
    }
    // The low byte of the ones' complement of the sum: with the checksum, the sum ends in 0xff.
    if (bytes.reduce((sum, byte) => sum + byte, 0) % 256 !== 0xff) {
      throw new Damage('a record does not have the checksum that is stored', line.at)
    }
    if ('123'.includes(type)) dataRecords += 1
    if ('56'.includes(type) && bytes.readUIntBE(1, addressBytes) !== dataRecords) {
      throw new Damage('there are not as many records as the count record says', line.at)
    }
    if ('789'.includes(type))
      return { endsAt: line.next, covers: 'contents', detail: `${dataRecords} data records` }
  }
  throw new Damage('the terminator record is missing: the file is cut off', source.bytes)
}
