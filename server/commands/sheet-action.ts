/** `fetchproof sheet`: a visit sheet to begin from, and a look at the one that is there. Only reads. */
import { FetchproofError } from '../errors.ts'
import { tableLines } from '../report/table.ts'
import { visible } from '../report/visible.ts'
import { checkFolder } from '../staging/folder.ts'
import { exampleSheet } from '../visit/example-sheet.ts'
import { SHEET_FILE } from '../visit/sheet-rows.ts'
import { createVisitFile, type ReadSheet } from '../visit/visit-file.ts'
import { EXIT } from './exit.ts'
import type { SheetFlags } from './sheet.ts'
import type { Surroundings } from './surroundings.ts'

export async function sheet(
  folder: string,
  { example, format }: SheetFlags,
  around: Surroundings,
): Promise<number> {
  if (example === true) {
    around.stdout.write(exampleSheet())
    return EXIT.done
  }
  const read = await readSheet(folder)
  if (format === 'json')
    around.stdout.write(`${JSON.stringify({ rows: read.rows, errors: read.errors }, null, 2)}\n`)
  else around.stdout.write(`${sheetLines(read).join('\n')}\n`)
  return read.errors.length === 0 ? EXIT.done : EXIT.checkFailed
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
