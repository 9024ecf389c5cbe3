/** Packets against RFC 1350 §5, RFC 2347 and RFC 2348's examples, and against whatever else may come. */
import fc from 'fast-check'
import { expect, test } from 'vitest'
import {
  parsePacket,
  writeAck,
  writeError,
  writeOptionAck,
  writeRequest,
} from '../../server/tftp-port/packets.ts'

const text = (written: string): Buffer => Buffer.from(written, 'latin1')

test('any bytes give a packet and never a throw', () => {
  fc.assert(
    fc.property(fc.uint8Array({ maxLength: 600 }), (bytes) => {
      expect(parsePacket(bytes).kind).toBeTypeOf('string')
    }),
    { numRuns: 20_000 },
  )
})

test('any bytes behind a known opcode give a packet and never a throw', () => {
  fc.assert(
    fc.property(fc.integer({ min: 0, max: 8 }), fc.uint8Array({ maxLength: 600 }), (opcode, bytes) => {
      expect(parsePacket(Uint8Array.from([0, opcode, ...bytes])).kind).toBeTypeOf('string')
    }),
    { numRuns: 20_000 },
  )
})

test('a read request as RFC 2348 writes it', () => {
  expect(parsePacket(text('\0\x01foobar\0octet\0blksize\x001428\0'))).toEqual({
    kind: 'request',
    write: false,
    name: 'foobar',
    mode: 'octet',
    options: [{ name: 'blksize', value: '1428' }],
  })
})

test('the mode is read in any letter case (RFC 1350 §5)', () => {
  expect(parsePacket(text('\0\x02a\0OcTeT\0'))).toMatchObject({ write: true, mode: 'octet' })
})

test('what is written is read back', () => {
  const word = fc.string({
    unit: fc.integer({ min: 1, max: 255 }).map((code) => String.fromCharCode(code)),
    minLength: 1,
    maxLength: 20,
  })
  const options = fc.uniqueArray(fc.record({ name: word, value: word }), {
    selector: ({ name }) => name.toLowerCase(),
    maxLength: 8,
  })
  fc.assert(
    fc.property(word, options, (name, asked) => {
      expect(parsePacket(writeRequest(name, asked))).toMatchObject({ kind: 'request', name, options: asked })
      expect(parsePacket(writeOptionAck(asked))).toEqual({ kind: 'option ack', options: asked })
    }),
  )
  expect(parsePacket(writeAck(65_535))).toEqual({ kind: 'ack', block: 65_535 })
  expect(parsePacket(writeAck(65_536))).toEqual({ kind: 'ack', block: 0 })
})

test('requests that end too early or are too long are malformed, and say why', () => {
  const why = (written: string): unknown => parsePacket(text(written))
  expect(why('\0')).toEqual({ kind: 'malformed', why: 'shorter than an opcode' })
  expect(why('\0\x01')).toEqual({ kind: 'malformed', why: 'request without its closing zero byte' })
  expect(why('\0\x01name')).toEqual({ kind: 'malformed', why: 'request without its closing zero byte' })
  expect(why('\0\x01name\0')).toEqual({ kind: 'malformed', why: 'request without a mode' })
  expect(why(`\0\x01${'n'.repeat(505)}\0octet\0`)).toMatchObject({ kind: 'malformed' })
  expect(why('\0\x09x')).toEqual({ kind: 'malformed', why: 'unknown opcode 9' })
  expect(why('\0\x04\0')).toEqual({ kind: 'malformed', why: 'ACK without a block number' })
})

test('padding behind a request and a name without a value ask for nothing', () => {
  expect(parsePacket(text('\0\x01a\0octet\0\0\0\0'))).toMatchObject({ options: [] })
  expect(parsePacket(text('\0\x01a\0octet\0tsize\0'))).toMatchObject({ options: [] })
})

test('of an option that stands twice the first counts (RFC 2347)', () => {
  expect(parsePacket(text('\0\x01a\0octet\0blksize\x0016\0BLKSIZE\x0032\0'))).toMatchObject({
    options: [{ name: 'blksize', value: '16' }],
  })
})

test('an error is one line that any console prints: ASCII, under 80 characters, under 100 bytes', () => {
  fc.assert(
    fc.property(fc.string({ unit: 'binary', maxLength: 300 }), (sentence) => {
      const packet = writeError(1, sentence)
      expect(packet.length).toBeLessThan(100)
      expect(packet.subarray(4).toString('latin1')).toMatch(/^[\x20-\x7e]{0,79}\0$/)
    }),
  )
  expect(parsePacket(writeError(3, 'Gerät voll'))).toEqual({ kind: 'error', code: 3, text: 'Gerat voll' })
})
