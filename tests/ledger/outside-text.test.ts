import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { cutText, MAX_TEXT_BYTES, textOfBytes } from '../../server/ledger/outside-text.ts'

describe('cutting text', () => {
  test('leaves 1,024 bytes alone and marks the cut of 1,025', () => {
    expect(cutText('a'.repeat(1024))).toBe('a'.repeat(1024))
    expect(cutText('a'.repeat(1025))).toBe(`${'a'.repeat(1021)}…`)
  })

  test('counts bytes of UTF-8, not characters', () => {
    expect(cutText('é'.repeat(512))).toBe('é'.repeat(512))
    expect(cutText('é'.repeat(513))).toBe(`${'é'.repeat(510)}…`)
  })

  test('never cuts a character in two', () => {
    for (let before = 1000; before <= 1024; before += 1) {
      const cut = cutText(`${'a'.repeat(before)}😀😀😀`)
      expect(Buffer.from(cut).toString()).toBe(cut)
      expect(Buffer.byteLength(cut)).toBeLessThanOrEqual(MAX_TEXT_BYTES)
    }
  })

  test('is a beginning of the text within the limit, and cutting again changes nothing', () => {
    fc.assert(
      fc.property(fc.string({ unit: 'binary', minLength: 300, maxLength: 1200 }), (text) => {
        const cut = cutText(text)
        expect(Buffer.byteLength(cut)).toBeLessThanOrEqual(MAX_TEXT_BYTES)
        expect(cutText(cut)).toBe(cut)
        if (cut !== text) expect(text.startsWith(cut.slice(0, -1))).toBe(true)
        if (Buffer.byteLength(text) <= MAX_TEXT_BYTES) expect(cut).toBe(text)
      }),
    )
  })
})

describe('bytes as text', () => {
  test.each([
    ['plain text', Buffer.from('GET /a.bin'), 'GET /a.bin'],
    ['text beyond ASCII', Buffer.from('GET /ü–😀'), 'GET /ü–😀'],
    ['a backslash', Buffer.from('a\\x41'), 'a\\\\x41'],
    ['Latin-1', Buffer.from([0x47, 0xfc, 0x20]), 'G\\xfc '],
    ['a backslash beside a stray byte', Buffer.from([0x5c, 0xff, 0x5c]), '\\\\\\xff\\\\'],
    // RFC 3629 §3 and §10: overlong forms, surrogates and values beyond U+10FFFF are not UTF-8.
    ['an overlong slash', Buffer.from([0xc0, 0xaf]), '\\xc0\\xaf'],
    ['a surrogate', Buffer.from([0xed, 0xa0, 0x80]), '\\xed\\xa0\\x80'],
    ['a value beyond Unicode', Buffer.from([0xf4, 0x90, 0x80, 0x80]), '\\xf4\\x90\\x80\\x80'],
    ['a sequence cut short', Buffer.from([0x61, 0xe2, 0x80]), 'a\\xe2\\x80'],
    ['a replacement character that was sent', Buffer.from([0xef, 0xbf, 0xbd, 0xff]), '\ufffd\\xff'],
  ])('%s', (_what, bytes, text) => {
    expect(textOfBytes(bytes)).toBe(text)
  })

  test('can be turned back into exactly the bytes', () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 200 }), (bytes) => {
        expect(bytesOf(textOfBytes(bytes))).toEqual(Buffer.from(bytes))
      }),
    )
  })
})

function bytesOf(text: string): Buffer {
  const parts = text.match(/\\x[0-9a-f]{2}|\\\\|[^\\]+/g) ?? []
  return Buffer.concat(
    parts.map((part) => {
      if (part === '\\\\') return Buffer.from('\\')
      return part.startsWith('\\x') ? Buffer.from(part.slice(2), 'hex') : Buffer.from(part)
    }),
  )
}
