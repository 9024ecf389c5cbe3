/** A visit told in entries, written as a ledger and read back as the record of it. */
import type { NewEntry } from '../../server/ledger/entries.ts'
import { visitFacts } from '../../server/report/visit-facts.ts'
import { type VisitReport, visitReport } from '../../server/report/visit-report.ts'
import { newFolder, sealed, writeLines } from '../ledger/records-folder.ts'
import type { Story } from '../visit/visit-story.ts'

/** The entries without what a ledger gives them. */
export function untold({ entries }: Story): NewEntry[] {
  return entries.map(({ seq: _seq, at: _at, prev: _prev, sum: _sum, ...entry }) => entry) as NewEntry[]
}

export async function reportOf(told: Story): Promise<VisitReport> {
  const file = writeLines(newFolder(), sealed(untold(told)))
  return visitReport(await visitFacts([file]), { made: '2026-11-26T08:00:00.000Z', version: '0.1.0' })
}

export function sheetOf(...rows: readonly Record<string, string>[]): NewEntry {
  return { kind: 'sheet', file: 'visit.csv', sha256: 'cd'.repeat(32), rows: [...rows], errors: [] }
}

/** The text of a page as a reader sees it. */
export function readable(page: string): string {
  return page
    .replace(/<style>[\s\S]*?<\/style>/, '')
    .replace(/<[^>]*>/g, ' ')
    .replace(/&#(\d+);/g, (_whole, code: string) => String.fromCodePoint(Number(code)))
    .replace(/\s+/g, ' ')
}
