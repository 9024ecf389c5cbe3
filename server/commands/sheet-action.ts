/** `fetchproof sheet`: a visit sheet to begin from, and a look at the one that is there. Only reads. */
import { resolve } from 'node:path'
import { FetchproofError } from '../errors.ts'
import { FILE_ACCESS } from '../files/file-access.ts'
import { checkFolder } from '../files/folder.ts'
import { tableLines } from '../report/table.ts'
import { createSettings } from '../settings.ts'
import { isNearSheet, wordsForDocument } from '../staging/never-offered.ts'
import { exampleSheet } from '../visit/example-sheet.ts'
import { type Outlook, outlookOf } from '../visit/outlook.ts'
import { planAgainstFacts } from '../visit/plan.ts'
import { createImageNames } from '../visit/planned-image.ts'
import { SHEET_FILE } from '../visit/sheet-rows.ts'
import { createVisitFile, type ReadSheet } from '../visit/visit-file.ts'
import { outlookWords } from '../wording/outlook-words.ts'
import { visible } from '../wording/visible.ts'
import { EXIT } from './exit.ts'
import type { SheetFlags } from './sheet.ts'
import type { Surroundings } from './surroundings.ts'
import { imagesAtSight } from './unserved-folder.ts'

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
  const outlook = await outlookFor(folder, read)
  const print = (text: string): void => void around.stdout.write(`${text}\n`)
  if (format === 'json') print(JSON.stringify({ rows: read.rows, errors: read.errors, outlook }, null, 2))
  else print([...sheetLines(read), ...(outlook === null ? [] : ['', outlookWords(outlook)])].join('\n'))
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
  const near = (await FILE_ACCESS.list(folder)).filter(({ name, isFolder }) => !isFolder && isNearSheet(name))
  const meant =
    near[0] === undefined ? undefined : `${visible(near[0].name)} is ${wordsForDocument(near[0].name)}.`
  const why =
    troubles[0] ??
    `There is no ${SHEET_FILE} in the folder ${resolve(folder)}. ${meant ?? '"fetchproof sheet --example" prints one to begin from.'}`
  throw new FetchproofError('FP_USAGE', { why })
}

/** How long the whole sheet takes at least, and which of its images are not in the folder. */
async function outlookFor(folder: string, { rows }: ReadSheet): Promise<Outlook | null> {
  const settings = createSettings({ folder })
  const images = (await imagesAtSight(settings)).map(({ name, plainPath, bytes, version }) => ({
    name,
    plainPath,
    bytes,
    sha256: version?.sha256 ?? '',
  }))
  const plan = planAgainstFacts({ rows, ledgers: [], moved: [], present: images, over: false })
  const outlook = outlookOf(plan, createImageNames(images), [], settings.folderFile.linkMbps)
  if (outlook === null || images.every(({ sha256 }) => sha256 !== '')) return outlook
  // Digits of a digest may be those of an image that nobody has read yet.
  return { ...outlook, absent: outlook.absent.filter((cell) => !DIGITS.test(cell.trim())) }
}

const DIGITS = /^(?:sha256[:=])?[0-9a-f]{6,64}$/i

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
