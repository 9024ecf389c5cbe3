/** `fetchproof report`: the record of a visit for the customer, out of one or several ledgers. Only reads. */
import { writeFile } from 'node:fs/promises'
import { systemCode, usageError } from '../errors.ts'
import { visitCsv } from '../report/visit-csv.ts'
import { visitFacts } from '../report/visit-facts.ts'
import { visitHtml } from '../report/visit-html.ts'
import { type VisitReport, visitReport } from '../report/visit-report.ts'
import { visible } from '../wording/visible.ts'
import { EXIT } from './exit.ts'
import { ledgerFileOf } from './folder-ledger.ts'
import { type HostProcess, jsonText, print } from './printing.ts'
import { VERSION } from './version.ts'

interface ReportFlags {
  readonly output?: string
  readonly format: 'html' | 'json' | 'csv'
  readonly strict?: boolean
  readonly records?: string
}

export async function report(
  folders: readonly string[],
  { output, format, strict, records }: ReportFlags,
  around: HostProcess,
): Promise<number> {
  const facts = await visitFacts(folders.map((folder) => ledgerFileOf(folder, records)))
  const made = visitReport(facts, { made: new Date().toISOString(), version: VERSION })
  const text = printed(made, format)
  if (output === undefined) around.stdout.write(text)
  else {
    await write(output, text)
    print(around, [`${visible(output)}: ${summary(made)}`])
  }
  if (strict !== true || made.complete) return EXIT.done
  print(around, made.notDone.map(visible), around.stderr)
  return EXIT.checkFailed
}

function printed(made: VisitReport, format: ReportFlags['format']): string {
  if (format === 'html') return visitHtml(made)
  return format === 'csv' ? visitCsv(made) : `${jsonText(made, 2)}\n`
}

async function write(file: string, text: string): Promise<void> {
  try {
    await writeFile(file, text)
  } catch (error) {
    throw usageError(
      `The report cannot be written to ${file} (${systemCode(error) ?? String(error)}). Name another place with --output.`,
      error,
    )
  }
}

function summary({ complete, notDone, served }: VisitReport): string {
  if (served) return 'the visit is still going on'
  return complete
    ? 'the visit is complete'
    : `${notDone.length} ${notDone.length === 1 ? 'point is' : 'points are'} open`
}
