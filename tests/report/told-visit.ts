/** A visit told in entries, written as a ledger and read back as the record of it. */
import { mkdirSync } from 'node:fs'
import { join } from 'node:path'
import type { NewEntry } from '../../server/ledger/entries.ts'
import { type FolderFacts, visitFacts } from '../../server/report/visit-facts.ts'
import { type VisitReport, visitReport } from '../../server/report/visit-report.ts'
import { newFolder, sealed, writeLines } from '../ledger/records-folder.ts'
import type { Story } from '../visit/visit-story.ts'

/** The entries without what a ledger gives them. */
export function untold({ entries }: Story): NewEntry[] {
  return entries.map(({ seq: _seq, at: _at, prev: _prev, sum: _sum, ...entry }) => entry) as NewEntry[]
}

/** Its ledger, in a folder of that name; every entry at the time at which it was told. */
export function ledgerOf(told: Story, name: string): string {
  const folder = join(newFolder(), name)
  mkdirSync(folder)
  return writeLines(
    folder,
    sealed(untold(told), (index) => Date.parse(told.entries[index]?.at ?? '')),
  )
}

export function reportOn(facts: readonly FolderFacts[], version = '0.1.0'): VisitReport {
  return visitReport(facts, { made: '2026-11-26T08:00:00.000Z', version })
}

export async function reportOf(told: Story): Promise<VisitReport> {
  return reportOn(await visitFacts([ledgerOf(told, 'harrowick')]))
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
