import { expect, test } from 'vitest'
import { tableLines } from '../../server/report/table.ts'
import {
  bytesText,
  durationText,
  percentText,
  rateText,
  sizeText,
  zoneText,
} from '../../server/wording/units.ts'

test.each([
  [0, '0'],
  [999, '999'],
  [1000, '1,000'],
  [1234567, '1,234,567'],
])('%i bytes are written %s', (bytes, text) => {
  expect(bytesText(bytes)).toBe(text)
})

test.each([
  [0, '0 bytes'],
  [999, '999 bytes'],
  [1000, '1 kB'],
  [12_340_000, '12.3 MB'],
  [999_999, '1 MB'],
  [5_000_000_000, '5 GB'],
])('%i bytes are about %s', (bytes, text) => {
  expect(sizeText(bytes)).toBe(text)
})

test('100 % is said of every byte alone, and of an empty image', () => {
  expect([999, 1_000].map((bytes) => percentText(bytes, 1_000))).toEqual(['99 %', '100 %'])
  expect(percentText(0, 0)).toBe('100 %')
})

test('rates, durations and zones', () => {
  expect(rateText(11_250_000)).toBe('11.3 MB/s')
  expect([0.42, 42, 185, 7620].map(durationText)).toEqual(['0.4 s', '42 s', '3 min 05 s', '2 h 07 min'])
  expect([59.7, 9.96].map(durationText)).toEqual(['1 min 00 s', '10 s'])
  expect([0, 330, -210].map(zoneText)).toEqual(['+00:00', '+05:30', '-03:30'])
})

test('a table lines its columns up, makes cells visible and leaves no space at line ends', () => {
  const lines = tableLines(
    [
      { title: 'Name', cell: (row: { name: string; bytes: number }) => row.name },
      { title: 'Bytes', align: 'right', cell: (row) => String(row.bytes) },
      { title: '', cell: () => '' },
    ],
    [
      { name: 'a', bytes: 5 },
      { name: 'tab\there', bytes: 12345 },
    ],
  )
  expect(lines).toEqual(['Name         Bytes', 'a                5', 'tab\\x09here  12345'])
})
