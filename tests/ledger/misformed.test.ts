/** Lines whose sums hold and that are still no entries as this program writes them: a crafted ledger, or a later one. */
import { describe, expect, test } from 'vitest'
import type { NewEntry } from '../../server/ledger/entries.ts'
import { openLedger } from '../../server/ledger/ledger.ts'
import { auditPulls } from '../../server/report/audit.ts'
import { visitFacts } from '../../server/report/visit-facts.ts'
import { newFolder, opened, sealed, writeLines } from './records-folder.ts'
import { VISIT } from './sample-entries.ts'

const crafted = (entry: object): string[] => sealed([...VISIT, entry as NewEntry])
const LINE = VISIT.length + 1

describe.each([
  ['an image without its digests', { kind: 'image', name: 'core.bin' }],
  ['a fetch of nothing', { kind: 'fetch-begun', id: 1, client: {} }],
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

  test('is no fault of the program to those who read', async () => {
    const file = writeLines(newFolder(), crafted(entry))
    const read = async (): Promise<void> => {
      for await (const _batch of auditPulls([file], {}));
      await visitFacts([file])
    }
    const error: unknown = await read().catch((thrown: unknown) => thrown)
    if (error !== undefined) expect(error).toMatchObject({ code: 'FP_LEDGER_BROKEN', fields: { line: LINE } })
  })
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
