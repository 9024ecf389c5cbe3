/** HTTP-date. Examples and rules: RFC 9110 §5.6.7. */
import { expect, test } from 'vitest'
import { parseHttpDate } from '../../server/image-port/http-date.ts'

const NOW = Date.UTC(2026, 10, 27)
const EXAMPLE = Date.UTC(1994, 10, 6, 8, 49, 37)

test.each(['Sun, 06 Nov 1994 08:49:37 GMT', 'Sunday, 06-Nov-94 08:49:37 GMT', 'Sun Nov  6 08:49:37 1994'])(
  'reads %s as the RFC does, wherever this machine stands',
  (text) => {
    expect(parseHttpDate(text, NOW)).toBe(EXAMPLE)
  },
)

test('takes a year of two digits that would be more than 50 years ahead for the past', () => {
  const year = (digits: string): number =>
    new Date(parseHttpDate(`Friday, 01-Jan-${digits} 00:00:00 GMT`, NOW) ?? 0).getUTCFullYear()
  expect([year('76'), year('77'), year('26'), year('99')]).toEqual([2076, 1977, 2026, 1999])
})

test.each([
  '1',
  '2026',
  '2026-03-03T18:00:00Z',
  'Tue, 03 Mar 2026 18:00:00',
  'Tue, 03 Mar 2026 18:00:00 +0100',
  'tue, 03 mar 2026 18:00:00 gmt',
  'Tue, 31 Feb 2026 18:00:00 GMT',
  'Tue, 03 Mar 2026 24:00:00 GMT',
  'Tue, 03 Mar 2026 18:00:61 GMT',
  '',
])('reads nothing into %j', (text) => {
  expect(parseHttpDate(text, NOW)).toBeUndefined()
})
