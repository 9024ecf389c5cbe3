/**
 * Intel HEX (Hexadecimal Object File Format Specification, revision A, 1988) and S-record (the srec(5) manual page;
 * common practice): a record a line, each with its length and checksum, and a last one that says that it is the last.
 */
import { Damage, type WholeFormat } from './format-finding.ts'
import { type ByteSource, pieces } from './source.ts'

/** Intel HEX: data bytes that a record of each type must have; data records may have any number. */
const DATA_BYTES: readonly (number | undefined)[] = [undefined, 0, 2, 4, 2, 4]
const END_OF_FILE = 1
/** S-record: bytes of the address by type; S4 is reserved. */
const ADDRESS_BYTES: readonly (number | undefined)[] = [2, 2, 3, 4, undefined, 2, 3, 4, 3, 2]
/** Both formats allow 255 bytes a record: some 530 characters. */
const MAX_LINE_BYTES = 1024
const SUB = '\x1a'

export function checkIntelHex(source: ByteSource): WholeFormat {
  let records = 0
  for (const { text, at, next } of recordLines(source)) {
    if (!text.startsWith(':')) throw notARecord(at)
    // The sum of all bytes, checksum included, is zero modulo 256.
    const bytes = recordBytes(text.slice(1), at, { least: 5, uncounted: 5, sum: 0 })
    records += 1
    const type = bytes.readUInt8(3)
    if (type >= DATA_BYTES.length) throw new Damage('a record is of no known type', at)
    const dataBytes = DATA_BYTES[type]
    if (dataBytes !== undefined && dataBytes !== bytes.readUInt8(0))
      throw new Damage('a record has an impossible length', at)
    if (type === END_OF_FILE) return { endsAt: next, covers: 'contents', detail: `${records} records` }
  }
  throw new Damage('the end record is missing: the file is cut off', source.bytes)
}

export function checkSRecord(source: ByteSource): WholeFormat {
  let dataRecords = 0
  for (const { text, at, next } of recordLines(source)) {
    const type = /^S([0-9])/.exec(text)?.[1] ?? ''
    const addressBytes = type === '' ? undefined : ADDRESS_BYTES[Number(type)]
    if (addressBytes === undefined) throw notARecord(at)
    // The checksum is the ones' complement of the sum of the others: with it, the sum ends in 0xff.
    const bytes = recordBytes(text.slice(2), at, { least: addressBytes + 2, uncounted: 1, sum: 0xff })
    if ('123'.includes(type)) dataRecords += 1
    if ('56'.includes(type) && bytes.readUIntBE(1, addressBytes) !== dataRecords)
      throw new Damage('there are not as many records as the count record says', at)
    if ('789'.includes(type))
      return { endsAt: next, covers: 'contents', detail: `${dataRecords} data records` }
  }
  throw new Damage('the terminator record is missing: the file is cut off', source.bytes)
}

function notARecord(at: number): Damage {
  return new Damage('a line does not begin as a record', at)
}

/** `uncounted`: bytes that the length in the record leaves out; `sum`: of all bytes, modulo 256. */
function recordBytes(
  digits: string,
  at: number,
  { least, uncounted, sum }: Readonly<Record<'least' | 'uncounted' | 'sum', number>>,
): Buffer {
  if (digits.length % 2 !== 0 || !/^[0-9A-Fa-f]*$/.test(digits))
    throw new Damage('a record is cut short or has characters other than hex digits', at)
  const bytes = Buffer.from(digits, 'hex')
  if (bytes.length < least || bytes.length !== bytes.readUInt8(0) + uncounted)
    throw new Damage('a record does not have the length that it says', at)
  if (bytes.reduce((total, byte) => total + byte, 0) % 256 !== sum)
    throw new Damage('a record does not have the checksum that is stored', at)
  return bytes
}

/** Text and place of each, and where the next one begins; blank ones are passed over. */
function* recordLines(source: ByteSource) {
  let at = 0
  let rest: Buffer = Buffer.alloc(0)
  for (const piece of pieces(source, 0, source.bytes)) {
    const text = rest.length === 0 ? piece : Buffer.concat([rest, piece])
    let from = 0
    for (let end = text.indexOf(10); end >= 0; end = text.indexOf(10, from)) {
      yield* lineOf(text.subarray(from, end), at, at + end + 1 - from)
      at += end + 1 - from
      from = end + 1
    }
    rest = text.subarray(from)
    if (rest.length > MAX_LINE_BYTES) throw tooLong(at)
  }
  yield* lineOf(rest, at, at + rest.length)
}

function lineOf(bytes: Buffer, at: number, next: number) {
  if (bytes.length > MAX_LINE_BYTES) throw tooLong(at)
  // Only the carriage return of a CRLF goes: anything else behind a record is damage.
  const text = bytes.toString('latin1').replace(/\r$/, '')
  // Old editors close a text file with the character SUB.
  return text === '' || text === SUB ? [] : [{ text, at, next }]
}

function tooLong(at: number): Damage {
  return new Damage('a line is longer than any record', at)
}
