/** The lines of Intel HEX and S-record files, with where each begins; blank lines are passed over. */
import type { Budget } from './budget.ts'
import { Damage } from './fault.ts'
import { type ByteSource, pieces } from './source.ts'

/** Both formats allow 255 bytes a record: some 530 characters. */
const MAX_LINE_BYTES = 1024
const SUB = 0x1a

interface RecordLine {
  readonly text: string
  readonly at: number
  /** Where the next line begins. */
  readonly next: number
}

export function* recordLines(source: ByteSource, budget: Budget): Generator<RecordLine> {
  let at = 0
  let rest: Buffer = Buffer.alloc(0)
  for (const piece of pieces(source, 0, source.bytes)) {
    budget.tick()
    const text = rest.length === 0 ? piece : Buffer.concat([rest, piece])
    let from = 0
    for (let end = text.indexOf(10); end >= 0; end = text.indexOf(10, from)) {
      const line = lineOf(text.subarray(from, end), at, at + end + 1 - from)
      if (line !== undefined) yield line
      at += end + 1 - from
      from = end + 1
    }
    rest = text.subarray(from)
    if (rest.length > MAX_LINE_BYTES) throw new Damage('a line is longer than any record', at)
  }
  const last = lineOf(rest, at, at + rest.length)
  if (last !== undefined) yield last
}

function lineOf(bytes: Buffer, at: number, next: number): RecordLine | undefined {
  if (bytes.length > MAX_LINE_BYTES) throw new Damage('a line is longer than any record', at)
  // Only the carriage return of a CRLF goes: anything else behind a record is damage.
  const text = bytes.toString('latin1').replace(/\r$/, '')
  // Old editors close a text file with the character SUB.
  if (text === '' || (text.length === 1 && text.charCodeAt(0) === SUB)) return undefined
  return { text, at, next }
}

/** The bytes that the hex digits of a record stand for. */
export function recordBytes(digits: string, at: number): Buffer {
  if (digits.length % 2 !== 0 || !/^[0-9A-Fa-f]*$/.test(digits)) {
    throw new Damage('a record is cut short or has characters other than hex digits', at)
  }
  return Buffer.from(digits, 'hex')
}
