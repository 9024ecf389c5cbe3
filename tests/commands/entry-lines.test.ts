import { expect, it } from 'vitest'
import { entryLine } from '../../server/commands/serve/entry-lines.ts'
import type { NewEntry } from '../../server/ledger/entries.ts'
import { recorded } from '../ledger/recorded.ts'

const EVIL = 'a\u001b[2Jb\u0007\u202ec\r\nd\u0000'
const CLIENT = { address: '192.0.2.10' }

function told(entry: NewEntry, name: string | null = null) {
  return entryLine(recorded(entry, 1, '2026-11-25T20:00:00.000Z'), {
    ended: undefined,
    pullOf: () => undefined,
    nameOf: () => name,
    urlOf: () => undefined,
  })
}

it.each<NewEntry>([
  {
    kind: 'observed',
    device: EVIL,
    by: EVIL,
    before: EVIL,
    after: EVIL,
    note: EVIL,
    digest: { algorithm: EVIL, value: EVIL },
  },
  { kind: 'device-dark', device: EVIL, address: '192.0.2.10' },
  { kind: 'device-back', device: EVIL, address: '192.0.2.10', darkMs: 61_000 },
  { kind: 'sheet', file: 'visit.csv', sha256: 'a'.repeat(64), rows: [{ device: EVIL }], errors: [EVIL] },
  {
    kind: 'fetch-refused',
    id: 1,
    client: CLIENT,
    localAddress: '192.0.2.1',
    reason: EVIL,
    hint: EVIL,
    target: EVIL,
  },
])('moves no cursor with what came from outside: $kind', (entry) => {
  const text = told(entry, EVIL)?.text ?? ''
  expect(text.length).toBeGreaterThan(10)
  // biome-ignore lint/suspicious/noControlCharactersInRegex: their absence is the point
  expect(text).not.toMatch(/[\u0000-\u001f\u007f-\u009f\u202e]/)
})

it('names the device of the sheet beside the address, and rings when one goes dark or comes back', () => {
  const refused = told(
    { kind: 'fetch-refused', id: 1, client: CLIENT, localAddress: '', reason: 'held', status: 409 },
    'desk',
  )
  expect(refused?.text).toContain('refused: 409  desk (192.0.2.10)')
  expect(told({ kind: 'device-dark', device: 'desk', address: '192.0.2.10' })?.bell).toBe(true)
  expect(told({ kind: 'device-back', device: 'desk', address: '192.0.2.10', darkMs: 61_000 })).toMatchObject({
    text: expect.stringContaining('desk answers again after 1 min 01 s'),
    bell: true,
  })
})
