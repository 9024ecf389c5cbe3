import fc from 'fast-check'
import { expect, test } from 'vitest'
import { disarmed, shortened, visible } from '../../server/wording/visible.ts'

test.each([
  ['a\nb', 'a\\x0ab'],
  ['\u001b[2J', '\\x1b[2J'],
  ['invoice\u202egnp.exe', 'invoice\\u{202e}gnp.exe'],
  ['zero\u200bwidth', 'zero\\u{200b}width'],
  ['\u0085', '\\x85'],
  ['\ud800', '\\u{d800}'],
  ['Bücherei 図書館 🏛', 'Bücherei 図書館 🏛'],
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

test('shortening keeps both ends and never exceeds the columns', () => {
  expect(shortened('core-switch-4.2-1.bin', 11)).toBe('core-…1.bin')
  fc.assert(
    fc.property(fc.string({ unit: 'grapheme' }), fc.integer({ min: 1, max: 40 }), (text, columns) => {
      expect([...shortened(text, columns)].length).toBeLessThanOrEqual(columns)
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
