import { createHash } from 'node:crypto'
import fc from 'fast-check'
import Type from 'typebox'
import { Value } from 'typebox/value'
import { describe, expect, test } from 'vitest'
import { checkLine, FIRST_PREV, MAX_LINE_BYTES, sealLine } from '../../server/ledger/chain.ts'
import { ENTRY_KINDS, ENTRY_SCHEMAS, type Entry, type NewEntry } from '../../server/ledger/entries.ts'
import { sealed } from './records-folder.ts'
import { anyEntry, begun, neighbour, VISIT } from './sample-entries.ts'

const AT = Date.UTC(2026, 0, 5, 9, 30, 0, 7)
const PLACE = { seq: 1, prev: FIRST_PREV }

describe('a sealed line', () => {
  test('has its members in order, the time in UTC with milliseconds, and its sum last', () => {
    const { line } = sealLine(PLACE, AT, neighbour(7))
    const sum = /"sum":"([0-9a-f]{64})"\}$/.exec(line)?.[1]
    expect(line).toBe(
      `{"seq":1,"at":"2026-01-05T09:30:00.007Z","kind":"neighbour","prev":"${FIRST_PREV}",` +
        `"address":"192.0.2.7","mac":"00-00-5E-00-53-11","sum":"${sum}"}`,
    )
  })

  test('has as sum the SHA-256 of every byte before `,"sum":"`', () => {
    const { line, entry } = sealLine(PLACE, AT, begun(3))
    const before = line.slice(0, line.lastIndexOf(',"sum":"'))
    expect(entry.sum).toBe(createHash('sha256').update(before, 'utf8').digest('hex'))
  })

  test('reads back as the entry that sealing returned, valid by its schema, whatever was in it', () => {
    fc.assert(
      fc.property(anyEntry, (entry) => {
        const made = sealLine(PLACE, AT, entry)
        expect(made.line).not.toContain('\n')
        expect(checkLine(Buffer.from(made.line), PLACE)).toEqual({ entry: made.entry })
        expect(Value.Check(ENTRY_SCHEMAS[entry.kind], made.entry)).toBe(true)
      }),
      { numRuns: 400 },
    )
  })

  test('leaves no control character and no mark of text direction bare', () => {
    const nasty = '\u0000\u001b[2J\u007f\u009b31m\u200f\u202e\u2066\u2028\ufeff\ud800'
    const { line, entry } = sealLine(PLACE, AT, { kind: 'closed', reason: nasty })
    expect(line).toMatch(/^[\u0020-\u007e]+$/)
    expect(entry.reason).toBe(nasty)
  })

  test('holds strings and column names cut to 1 KiB; names that become equal are told apart', () => {
    const long = 'x'.repeat(2000)
    const { entry } = sealLine(PLACE, AT, {
      kind: 'sheet',
      file: long,
      sha256: FIRST_PREV,
      rows: [{ [`${long}1`]: 'a', [`${long}2`]: long, ['__proto__']: 'column' }],
      errors: [long],
    })
    const cut = `${'x'.repeat(1021)}…`
    expect(entry.file).toBe(cut)
    expect(entry.errors).toEqual([cut])
    expect(Object.entries(entry.rows[0] ?? {})).toEqual([
      [cut, 'a'],
      [`${cut}2`, cut],
      ['__proto__', 'column'],
    ])
  })

  test.each([
    ['a number that is none', Number.NaN],
    ['an endless number', Number.POSITIVE_INFINITY],
    ['a date', new Date(0)],
    ['a big integer', 1n],
  ])('refuses %s instead of storing something else', (_what, value) => {
    const entry = { kind: 'device-back', device: 'd', address: '192.0.2.7', darkMs: value } as NewEntry
    expect(() => sealLine(PLACE, AT, entry)).toThrow(TypeError)
  })

  test('refuses members that the ledger itself sets', () => {
    const entry = { kind: 'closed', reason: 'r', seq: 9 } as NewEntry
    expect(() => sealLine(PLACE, AT, entry)).toThrow('"seq" is set by the ledger')
  })

  test('is never longer than readers are ready for', () => {
    const errors = Array.from({ length: MAX_LINE_BYTES / 1024 }, () => 'x'.repeat(1024))
    const entry: NewEntry = { kind: 'sheet', file: 'f', sha256: FIRST_PREV, rows: [], errors }
    expect(() => sealLine(PLACE, AT, entry)).toThrow(RangeError)
  })
})

describe('the schemas', () => {
  test('admit one of each kind, sealed', () => {
    expect(VISIT.map((entry) => entry.kind).toSorted()).toEqual(ENTRY_KINDS.toSorted())
    for (const entry of VISIT) {
      const made = sealLine(PLACE, AT, entry)
      expect([...Value.Errors(ENTRY_SCHEMAS[entry.kind], made.entry)]).toEqual([])
    }
  })

  test.each(ENTRY_KINDS)('refuse an unknown member of %s', (kind) => {
    const entry: NewEntry = VISIT.find((candidate) => candidate.kind === kind) ?? neighbour(1)
    const made = sealLine(PLACE, AT, Object.assign({ unheardOf: true }, entry))
    expect(Value.Check(ENTRY_SCHEMAS[kind], made.entry)).toBe(false)
    const open = Type.Object({ kind: Type.Literal(kind) })
    expect(Value.Check(open, made.entry)).toBe(true)
  })
})

describe('checking a line', () => {
  const lines = sealed(VISIT)
  const places = lines.map((_line, index) => ({
    seq: index + 1,
    prev: index === 0 ? FIRST_PREV : (JSON.parse(lines[index - 1] ?? '') as Entry).sum,
  }))

  test('finds each single changed byte, in the sum and behind it too', () => {
    for (const [index, line] of lines.entries()) {
      const bytes = Buffer.from(line)
      const place = places[index] ?? PLACE
      expect(checkLine(bytes, place)).toHaveProperty('entry')
      for (let at = 0; at < bytes.length; at += 1) {
        for (const mask of [0x01, 0x20, 0x80]) {
          const changed = Buffer.from(bytes)
          changed[at] = (changed[at] ?? 0) ^ mask
          expect(checkLine(changed, place), `line ${index + 1}, byte ${at}`).toHaveProperty('why')
        }
      }
    }
  })

  test.each([
    ['a changed byte', (line: string) => line.replace('Oakham', 'Okeham'), /changed after it was written/],
    ['an added byte behind', (line: string) => `${line} `, /does not begin and end/],
    ['another line ending', (line: string) => `${line}\r`, /line ending/],
    ['nothing', () => '', /empty/],
    ['zeros', (line: string) => '\0'.repeat(line.length), /zero bytes/],
  ])('says why: %s', (_what, change, why) => {
    const changed = change(lines[0] ?? '')
    expect(checkLine(Buffer.from(changed), PLACE)).toEqual({ why: expect.stringMatching(why) })
  })

  test('says that lines are missing, repeated or replaced', () => {
    const third = Buffer.from(lines[2] ?? '')
    expect(checkLine(third, places[1] ?? PLACE)).toEqual({
      why: expect.stringContaining('line 2 is missing or moved'),
    })
    expect(checkLine(third, PLACE)).toEqual({ why: expect.stringContaining('lines 1 to 2 are missing') })
    expect(checkLine(third, places[3] ?? PLACE)).toEqual({
      why: expect.stringContaining('repeated or moved'),
    })
    const other = { seq: 3, prev: 'f'.repeat(64) }
    expect(checkLine(third, other)).toEqual({ why: expect.stringContaining('replaced') })
  })

  test('does not take JSON with a fitting sum for an entry', () => {
    const body = '{"seq":"1"'
    const sum = createHash('sha256').update(body).digest('hex')
    const line = Buffer.from(`${body},"sum":"${sum}"}`)
    expect(checkLine(line, PLACE)).toEqual({ why: expect.stringContaining('not an entry') })
  })
})
