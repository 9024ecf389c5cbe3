/** Texts that regular expressions with a choice of ways take very long for: each is done with in no time. */
import { Socket } from 'node:net'
import { expect, test } from 'vitest'
import { answerRange } from '../../server/delivery/range-header.ts'
import { readRawTarget } from '../../server/image-port/lenient-parsing.ts'
import { versionToRecord } from '../../server/visit/version-finding.ts'

const BLANKS = ' '.repeat(14_000)

test('a field of many blanks and a bare carriage return', { timeout: 5_000 }, () => {
  const packet = Buffer.from(`GET /\xe9 HTTP/1.0\r\na:${BLANKS}\rx\r\n\r\n`, 'latin1')
  expect(readRawTarget(packet, new Socket())).toBeUndefined()
})

test('a Range of many blanks', { timeout: 5_000 }, () => {
  expect(answerRange(`bytes=0-1${BLANKS}x`, 1_000)).toEqual({ kind: 'whole' })
})

test.each([`1.1${'a'.repeat(50)}/`, `1.1${'_a'.repeat(28)}/`, `1.1${'a1'.repeat(28)}/`])(
  'a word that looks like a version for long: %s',
  { timeout: 5_000 },
  (word) => {
    expect(versionToRecord(`firmware ${word} of today`)).not.toBe(word)
  },
)
