/** `fetchproof sheet`: a visit sheet to begin from, and a look at the one that is there. Only reads. */
import type { Command } from 'commander'
import { FetchproofError } from '../errors.ts'
import { tableLines } from '../report/table.ts'
import { visible } from '../report/visible.ts'
import { checkFolder } from '../staging/folder.ts'
import { exampleSheet } from '../visit/example-sheet.ts'
import { SHEET_FILE } from '../visit/sheet-rows.ts'
import { createVisitFile, type ReadSheet } from '../visit/visit-file.ts'
import { EXIT } from './exit.ts'
import { DEFAULT_FOLDER, formatOption } from './options.ts'
import type { Surroundings } from './surroundings.ts'

interface SheetFlags {
  readonly example?: boolean
  readonly format: 'text' | 'json'
}

export function addSheet(program: Command, around: Surroundings, settle: (status: number) => void): void {
  program
    .command('sheet')
    .description(
      `Check the visit sheet ${SHEET_FILE} of a staging folder; exit status 1 when something is wrong in it.`,
    )
    .argument('[folder]', 'the staging folder', DEFAULT_FOLDER)
    .option('--example', `print a filled-in ${SHEET_FILE} to begin from`)
    .addOption(formatOption('text', 'json'))
    .action(async (folder: string, { example, format }: SheetFlags) => {
      if (example === true) {
        around.stdout.write(exampleSheet())
        return settle(EXIT.done)
      }
      const sheet = await readSheet(folder)
      if (format === 'json')
        around.stdout.write(`${JSON.stringify({ rows: sheet.rows, errors: sheet.errors }, null, 2)}\n`)
      else around.stdout.write(`${sheetLines(sheet).join('\n')}\n`)
      settle(sheet.errors.length === 0 ? EXIT.done : EXIT.checkFailed)
    })
}

/** Throws the coded errors of the folder, and FP_USAGE when there is no sheet. */
async function readSheet(folder: string): Promise<ReadSheet> {
  const file = createVisitFile({ folder: await checkFolder(folder) })
  const troubles: string[] = []
  file.events.on('trouble', (message) => troubles.push(message))
  try {
    await file.look()
  } finally {
    file.close()
  }
  if (file.sheet !== undefined) return file.sheet
  const why =
    troubles[0] ??
    `There is no ${SHEET_FILE} in ${folder}. "fetchproof sheet --example" prints one to begin from.`
  throw new FetchproofError('FP_USAGE', { why })
}

function sheetLines({ rows, errors }: ReadSheet): string[] {
  const table = tableLines(
    [
      { title: 'Row', align: 'right', cell: (row) => String(row.row) },
      { title: 'Device', cell: (row) => row.device },
      { title: 'Step', align: 'right', cell: (row) => String(row.step) },
      { title: 'Address', cell: (row) => row.address ?? '-' },
      { title: 'Hardware address', cell: (row) => row.mac ?? '-' },
      { title: 'Via', cell: (row) => row.via ?? '-' },
      { title: 'Image', cell: (row) => row.image ?? '-' },
      { title: 'Before', cell: (row) => row.versionBefore ?? '-' },
      { title: 'Target', cell: (row) => row.versionTarget ?? '-' },
    ],
    rows,
  )
  return [...table, ...(errors.length === 0 ? [] : ['', ...errors.map(visible)])]
}
