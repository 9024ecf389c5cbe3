import { describe, expect, test } from 'vitest'
import {
  type ConditionHeaders,
  evaluateConditions,
  ifRangeHolds,
} from '../../server/image-port/conditions.ts'

const ETAG = `"${'a'.repeat(64)}"`
const MODIFIED = 'Tue, 03 Mar 2026 18:00:00 GMT'
const BEFORE = 'Tue, 03 Mar 2026 17:59:59 GMT'
const current = { etag: ETAG, modifiedMs: Date.parse(MODIFIED) + 250 }
const evaluate = (headers: ConditionHeaders) => evaluateConditions(headers, current)

describe('RFC 9110 §13.1', () => {
  test.each<[string, ConditionHeaders, string]>([
    ['no condition', {}, 'go on'],
    ['If-Match with the tag', { 'if-match': ETAG }, 'go on'],
    ['If-Match with any', { 'if-match': '*' }, 'go on'],
    ['If-Match in a list', { 'if-match': `"x", ${ETAG}` }, 'go on'],
    ['If-Match with another', { 'if-match': '"x"' }, 'failed'],
    ['If-Match with a weak form: strong comparison', { 'if-match': `W/${ETAG}` }, 'failed'],
    ['If-None-Match with the tag', { 'if-none-match': ETAG }, 'not modified'],
    ['If-None-Match with any', { 'if-none-match': '*' }, 'not modified'],
    ['If-None-Match with a weak form: weak comparison', { 'if-none-match': `W/${ETAG}` }, 'not modified'],
    ['If-None-Match with another', { 'if-none-match': '"x"' }, 'go on'],
    ['a tag that only contains ours', { 'if-none-match': `"x${ETAG.slice(1)}` }, 'go on'],
    ['If-Modified-Since the same second', { 'if-modified-since': MODIFIED }, 'not modified'],
    ['If-Modified-Since earlier', { 'if-modified-since': BEFORE }, 'go on'],
    ['If-Unmodified-Since the same second', { 'if-unmodified-since': MODIFIED }, 'go on'],
    ['If-Unmodified-Since earlier', { 'if-unmodified-since': BEFORE }, 'failed'],
    ['a date in a form of no RFC', { 'if-modified-since': '2100', 'if-unmodified-since': '1' }, 'go on'],
    ['a date that cannot be read', { 'if-modified-since': 'yesterday', 'if-unmodified-since': 'x' }, 'go on'],
  ])('%s', (_what, headers, outcome) => {
    expect(evaluate(headers)).toBe(outcome)
  })
})

test('order of RFC 9110 §13.2.2: tags win over dates', () => {
  expect(evaluate({ 'if-match': ETAG, 'if-unmodified-since': BEFORE })).toBe('go on')
  expect(evaluate({ 'if-none-match': '"x"', 'if-modified-since': MODIFIED })).toBe('go on')
  expect(evaluate({ 'if-match': '"x"', 'if-none-match': ETAG })).toBe('failed')
})

test.each([
  [undefined, true],
  [ETAG, true],
  [`W/${ETAG}`, false],
  [`${ETAG}x`, false],
  [ETAG.slice(0, -1), false],
  [ETAG.toUpperCase(), false],
  [MODIFIED, false],
])('If-Range %j lets a range through: %s (RFC 9110 §13.1.5)', (header, holds) => {
  expect(ifRangeHolds(header, current)).toBe(holds)
})
