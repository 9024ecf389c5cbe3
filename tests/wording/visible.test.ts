import fc from 'fast-check'
import { expect, test } from 'vitest'
import { textWidth } from '../../server/wording/text-width.ts'
import { disarmed, shortened, visible } from '../../server/wording/visible.ts'

test.each([
  ['a\nb', 'a\\x0ab'],
  ['\u001b[2J', '\\x1b[2J'],
  ['invoice\u202egnp.exe', 'invoice\\u{202e}gnp.exe'],
  ['zero\u200bwidth', 'zero\\u{200b}width'],
  ['\u0085', '\\x85'],
  ['\ud800', '\\u{d800}'],
  ['Bücherei 図書館 🏛', 'Bücherei 図書館 🏛'],
  ['\u3164core.bin', '\\u{3164}core.bin'],
  ['core\u034f.bin', 'core\\u{34f}.bin'],
  ['core\u{e0100}.bin', 'core\\u{e0100}.bin'],
  ['1\ufe0f.bin', '1\\u{fe0f}.bin'],
  ['🏛\ufe0f', '🏛\ufe0f'],
  ['ä̈', 'ä̈'],
])('%j is shown as %j', (text, shown) => {
  expect(visible(text)).toBe(shown)
})

test('whatever comes in, no control, format or lone surrogate character comes out', () => {
  fc.assert(
    fc.property(fc.string({ unit: 'binary' }), (text) => {
      expect(visible(text)).not.toMatch(/[\p{Cc}\p{Cs}\u202a-\u202e\u2066-\u2069\u200b-\u200f\u2028\u2029]/u)
    }),
  )
})

// Unicode 16, DerivedCoreProperties.txt, Default_Ignorable_Code_Point: the first and the last of each range.
test.each([
  [0xad, 0xad],
  [0x34f, 0x34f],
  [0x61c, 0x61c],
  [0x115f, 0x1160],
  [0x17b4, 0x17b5],
  [0x180b, 0x180f],
  [0x200b, 0x200f],
  [0x202a, 0x202e],
  [0x2060, 0x206f],
  [0x3164, 0x3164],
  [0xfe00, 0xfe0f],
  [0xfeff, 0xfeff],
  [0xffa0, 0xffa0],
  [0xfff0, 0xfff8],
  [0x1bca0, 0x1bca3],
  [0x1d173, 0x1d17a],
  [0xe0000, 0xe0fff],
])('what fonts leave out was invisible in a name: %i to %i', (first, last) => {
  for (let code = first; code <= last; code += 1) {
    const shown = visible(`a${String.fromCodePoint(code)}b`)
    expect(shown).toMatch(/^a\\(x[0-9a-f]{2}|u\{[0-9a-f]+\})b$/)
  }
})

// UAX #29, GB6 to GB9c: clusters of any length, at no place of which a line is broken.
test.each([
  ['spacing marks', `\u0915${'\u093e'.repeat(200)}`],
  ['stacked marks', `a${'\u0301'.repeat(200)}`],
  ['leading consonants', '\u1100'.repeat(200)],
  ['prepended marks', `${'\u0600'.repeat(200)}1`],
])('a cluster of %s widened the table that it stood in', (_what, text) => {
  const segmenter = new Intl.Segmenter('en', { granularity: 'grapheme' })
  for (const { segment } of segmenter.segment(visible(text))) expect([...segment].length).toBeLessThan(12)
})

test('shortening keeps both ends and never exceeds the columns', () => {
  expect(shortened('core-switch-4.2-1.bin', 11)).toBe('core-…1.bin')
  fc.assert(
    fc.property(fc.string({ unit: 'grapheme' }), fc.integer({ min: 1, max: 40 }), (text, columns) => {
      expect(textWidth(shortened(text, columns))).toBeLessThanOrEqual(columns)
    }),
  )
})

// Common practice: spreadsheets take a field as a formula when it begins with one of these.
test.each(['=1+1', '+1', '-1+2', '@SUM(A1)', '\t=1', '\r=1'])('the formula %j is disarmed', (text) => {
  expect(disarmed(text)).not.toMatch(/^[=+\-@\t\r]/)
})

test('plain numbers stay numbers', () => {
  expect(disarmed('-12.5')).toBe('-12.5')
  expect(disarmed('42')).toBe('42')
})
