/** A records folder of a test's own, removed when the test has ended, and ledgers in it. */
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { onTestFinished } from 'vitest'
import { FIRST_PREV, sealLine } from '../../server/ledger/chain.ts'
import type { Entry, NewEntry } from '../../server/ledger/entries.ts'
import { type Ledger, type LedgerOptions, openLedger } from '../../server/ledger/ledger.ts'
import { LEDGER_FILE } from '../../server/ledger/read.ts'

export function newFolder(): string {
  const folder = mkdtempSync(join(tmpdir(), 'fetchproof-ledger-'))
  onTestFinished(() => rmSync(folder, { recursive: true, force: true }))
  return folder
}

/** Opens a ledger that is closed when the test has ended, whatever became of it. */
export async function opened(records: string, options: Omit<LedgerOptions, 'records'> = {}): Promise<Ledger> {
  const ledger = await openLedger({ reserveBytes: 4096, ...options, records })
  onTestFinished(() => ledger.close('the test has ended'))
  return ledger
}

const BEGINNING = Date.UTC(2026, 0, 5, 9)

/** Lines, without newlines, that seal these entries one after the other, a second apart unless told. */
export function sealed(
  entries: readonly NewEntry[],
  at: (index: number) => number = (index) => BEGINNING + index * 1000,
): string[] {
  let prev = FIRST_PREV
  return entries.map((entry, index) => {
    const made = sealLine({ seq: index + 1, prev }, at(index), entry)
    prev = (made.entry as Entry).sum
    return made.line
  })
}

/** Writes lines, each with its newline, as the ledger of a folder; returns the file's path. */
export function writeLines(folder: string, lines: readonly string[]): string {
  const file = join(folder, LEDGER_FILE)
  writeFileSync(file, lines.map((line) => `${line}\n`).join(''))
  return file
}

export function readFileLines(file: string): string[] {
  return readFileSync(file, 'utf8').trimEnd().split('\n')
}

export function kindsIn(file: string): string[] {
  return readFileLines(file).map((line) => (JSON.parse(line) as Entry).kind)
}
