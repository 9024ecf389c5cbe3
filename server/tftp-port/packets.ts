/**
 * TFTP packets (RFC 1350 §5, options RFC 2347) as bytes and as values. Pure: any bytes in, a value out, never a throw.
 * Strings are kept one character a byte; what they mean is for whoever looks them up.
 */

/** RFC 1350 §4. */
export const USUAL_PORT = 69

/** RFC 1350 Appendix I. */
const OPCODE = Object.freeze({ read: 1, write: 2, data: 3, ack: 4, error: 5, optionAck: 6 })

/** Those of RFC 1350 Appendix I that are sent from here. */
export const ERROR_CODE = Object.freeze({
  notDefined: 0,
  notFound: 1,
  accessViolation: 2,
  illegalOperation: 4,
  unknownTransfer: 5,
})

/** Block size without an option (RFC 1350 §2). */
export const DEFAULT_BLOCK_BYTES = 512
/** Opcode and block number in front of a block. */
export const DATA_HEADER_BYTES = 4
/** RFC 2347: a request has at most 512 octets. */
const REQUEST_BYTES_AT_MOST = 512
/** What a console's line takes, and less than a hundred bytes on the wire. */
export const ERROR_TEXT_AT_MOST = 79

export interface Option {
  /** As it was spelt; names are compared in lower case (RFC 2347). */
  readonly name: string
  readonly value: string
}

export type Packet =
  | {
      readonly kind: 'request'
      readonly write: boolean
      readonly name: string
      /** In lower case. */
      readonly mode: string
      readonly options: readonly Option[]
    }
  | { readonly kind: 'data'; readonly block: number; readonly bytes: Uint8Array }
  | { readonly kind: 'ack'; readonly block: number }
  | { readonly kind: 'error'; readonly code: number; readonly text: string }
  | { readonly kind: 'option ack'; readonly options: readonly Option[] }
  | { readonly kind: 'malformed'; readonly why: string }

const malformed = (why: string): Packet => ({ kind: 'malformed', why })

export function parsePacket(datagram: Uint8Array): Packet {
  if (datagram.byteLength < 2) return malformed('shorter than an opcode')
  const bytes = asBuffer(datagram)
  const opcode = bytes.readUInt16BE(0)
  switch (opcode) {
    case OPCODE.read:
    case OPCODE.write:
      return parseRequest(bytes, opcode === OPCODE.write)
    case OPCODE.data:
      if (bytes.length < DATA_HEADER_BYTES) return malformed('DATA without a block number')
      return { kind: 'data', block: bytes.readUInt16BE(2), bytes: bytes.subarray(DATA_HEADER_BYTES) }
    case OPCODE.ack:
      // What some clients leave behind the number says nothing.
      return bytes.length < 4
        ? malformed('ACK without a block number')
        : { kind: 'ack', block: bytes.readUInt16BE(2) }
    case OPCODE.error:
      // A text without its end is still a text: it is only shown.
      return bytes.length < 4
        ? malformed('ERROR without a code')
        : { kind: 'error', code: bytes.readUInt16BE(2), text: stringsOf(bytes, 4).at(0) ?? '' }
    case OPCODE.optionAck:
      return { kind: 'option ack', options: optionsOf(stringsOf(bytes, 2)) }
    default:
      return malformed(`unknown opcode ${opcode}`)
  }
}

function asBuffer(bytes: Uint8Array): Buffer {
  return Buffer.isBuffer(bytes) ? bytes : Buffer.from(bytes.buffer, bytes.byteOffset, bytes.byteLength)
}

function parseRequest(bytes: Buffer, write: boolean): Packet {
  if (bytes.length > REQUEST_BYTES_AT_MOST) return malformed('request longer than 512 bytes')
  if (bytes.at(-1) !== 0) return malformed('request without its closing zero byte')
  const [name = '', mode, ...rest] = stringsOf(bytes, 2)
  if (mode === undefined) return malformed('request without a mode')
  return { kind: 'request', write, name, mode: mode.toLowerCase(), options: optionsOf(rest) }
}

/** Strings that each end with a zero byte; the last one may lack it. */
function stringsOf(bytes: Buffer, from: number): string[] {
  const strings = bytes.toString('latin1', from).split('\0')
  if (strings.at(-1) === '') strings.pop()
  return strings
}

/** In pairs. A name without a value, as padding looks, asks for nothing; of one name the first counts (RFC 2347). */
function optionsOf(strings: readonly string[]): Option[] {
  const options = new Map<string, Option>()
  for (let at = 0; at + 1 < strings.length; at += 2) {
    const name = strings[at] ?? ''
    const key = name.toLowerCase()
    if (key !== '' && !options.has(key)) options.set(key, { name, value: strings[at + 1] ?? '' })
  }
  return [...options.values()]
}

export function writeRequest(name: string, options: readonly Option[], mode = 'octet'): Buffer {
  return Buffer.concat([numbers(OPCODE.read), zeroEnded([name, mode, ...flat(options)])])
}

export function writeOptionAck(options: readonly Option[]): Buffer {
  return Buffer.concat([numbers(OPCODE.optionAck), zeroEnded(flat(options))])
}

export function writeAck(block: number): Buffer {
  return numbers(OPCODE.ack, block)
}

/** The text in printable ASCII, cut to a console's line. */
export function writeError(code: number, text: string): Buffer {
  const plain = text
    .normalize('NFKD')
    .replace(/\p{M}/gu, '')
    .replace(/[^\x20-\x7e]/gu, '?')
  const line = plain.length <= ERROR_TEXT_AT_MOST ? plain : `${plain.slice(0, ERROR_TEXT_AT_MOST - 3)}...`
  return Buffer.concat([numbers(OPCODE.error, code), zeroEnded([line])])
}

/** Room for a block, its header written; the block itself is the caller's to put behind it. */
export function writeDataHeader(packet: Buffer, block: number): void {
  packet.writeUInt16BE(OPCODE.data, 0)
  // Block numbers have 16 bits; after 65,535 comes 0 (common practice: RFC 1350 is silent).
  packet.writeUInt16BE(block & 0xffff, 2)
}

function flat(options: readonly Option[]): string[] {
  return options.flatMap(({ name, value }) => [name, value])
}

function zeroEnded(strings: readonly string[]): Buffer {
  return Buffer.from(strings.map((string) => `${string}\0`).join(''), 'latin1')
}

function numbers(...values: readonly number[]): Buffer {
  const bytes = Buffer.alloc(values.length * 2)
  for (const [at, value] of values.entries()) bytes.writeUInt16BE(value & 0xffff, at * 2)
  return bytes
}
