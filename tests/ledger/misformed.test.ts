/** Lines whose sums hold and that are still no entries as this program writes them: a crafted ledger, or a later one. */
import { hash } from 'node:crypto'
import { describe, expect, test } from 'vitest'
import { FIRST_PREV, sealLine } from '../../server/ledger/chain.ts'
import type { NewEntry } from '../../server/ledger/entries.ts'
import { openLedger } from '../../server/ledger/ledger.ts'
import { checkLedger } from '../../server/ledger/read.ts'
import { auditPulls } from '../../server/report/audit.ts'
import { visitFacts } from '../../server/report/visit-facts.ts'
import { newFolder, opened, sealed, writeLines } from './records-folder.ts'
import { begun, VISIT } from './sample-entries.ts'

const crafted = (entry: object): string[] => sealed([...VISIT, entry as NewEntry])
const LINE = VISIT.length + 1
const OPENED = VISIT.find(({ kind }) => kind === 'opened')

describe.each([
  ['an image without its digests', { kind: 'image', name: 'core.bin' }],
  ['a fetch of nothing', { kind: 'fetch-begun', id: 1, client: {} }],
  ['a start in a zone that is none', { ...OPENED, zoneOffsetMinutes: 1e9 }],
  ['a target that is no text', { ...begun(7), target: { toString: 1 } }],
  ['more bytes than can be counted', { ...begun(7), promised: 1e300 }],
  [
    'a refusal at no time',
    {
      kind: 'fetch-refused',
      id: 7,
      client: { address: '192.0.2.9' },
      localAddress: '192.0.2.1',
      reason: 'x',
      count: 2,
      since: '2026-99-99T99:99:99Z',
    },
  ],
  [
    'a sheet of more rows than one can have',
    { kind: 'sheet', file: 'visit.csv', sha256: 'a'.repeat(64), rows: Array(20_001).fill({}), errors: [] },
  ],
  ['a sheet whose rows are none', { kind: 'sheet', file: 'visit.csv', sha256: 'x', rows: 5, errors: [] }],
])('%s', (_what, entry) => {
  test('is a broken line to a server that starts', async () => {
    const records = newFolder()
    writeLines(records, crafted(entry))
    await expect(openLedger({ records })).rejects.toMatchObject({
      code: 'FP_LEDGER_BROKEN',
      fields: { line: LINE, why: expect.stringContaining('not formed as the entry') },
    })
  })

  test('is passed over by those who read, and said', async () => {
    const file = writeLines(newFolder(), crafted(entry))
    let pulls = 0
    for await (const batch of auditPulls([file], {})) pulls += batch.length
    const whole = writeLines(newFolder(), sealed(VISIT))
    let expected = 0
    for await (const batch of auditPulls([whole], {})) expected += batch.length
    expect(pulls).toBe(expected)
    const [facts] = await visitFacts([file])
    expect(facts?.ledger).toMatchObject({
      intact: false,
      firstBad: { line: LINE, why: expect.stringContaining('not formed as the entry') },
    })
  })
})

test('an entry at a time that is none is a broken line', async () => {
  const line = sealLine({ seq: 1, prev: FIRST_PREV }, 0, VISIT[0] as NewEntry).line
  const at = line.slice(0, -74).replace('1970-01-01', '1970-13-41')
  const file = writeLines(newFolder(), [`${at},"sum":"${hash('sha256', at, 'hex')}"}`])
  expect((await checkLedger(file)).firstBad?.why).toContain('not formed as the entry')
})

test('a kind or a member that a later program writes is left alone', async () => {
  const records = newFolder()
  writeLines(records, sealed([...VISIT, { kind: 'weather', rain: true } as unknown as NewEntry]))
  const ledger = await opened(records)
  expect(ledger.head.entries).toBeGreaterThanOrEqual(LINE)
  const more = newFolder()
  writeLines(more, crafted({ kind: 'image-gone', name: 'core.bin', sha256: 'a'.repeat(64), why: 'rain' }))
  expect((await opened(more)).head.entries).toBeGreaterThanOrEqual(LINE)
})
