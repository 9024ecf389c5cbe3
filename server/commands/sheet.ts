/** `fetchproof sheet`: a visit sheet to begin from, and a look at the one that is there. Only reads. */
import { resolve } from 'node:path'
import { usageError } from '../errors.ts'
import { FILE_ACCESS } from '../files/file-access.ts'
import type { ImageReference } from '../ledger/entries.ts'
import type { ImageView } from '../report/image-view.ts'
import { tableLines } from '../report/table.ts'
import { visitFacts } from '../report/visit-facts.ts'
import { createSettings } from '../settings.ts'
import { stateWords } from '../staging/image-words.ts'
import { isNearSheet, SHEET_FILE, wordsForDocument } from '../staging/offered-names.ts'
import { type Plan, planAgainstFacts } from '../visit/plan.ts'
import { checkPlan, type PresentImage } from '../visit/plan-check.ts'
import { createImageNames } from '../visit/planned-image.ts'
import { remainingPulls } from '../visit/remaining-pulls.ts'
import { deviceKey, type PlannedRow } from '../visit/sheet-rows.ts'
import { guessFromName } from '../visit/version-finding.ts'
import type { ReadSheet } from '../visit/visit-file.ts'
import { exampleSheet } from '../visit/written-sheets.ts'
import { remainingWords } from '../wording/remaining-words.ts'
import { stepWords } from '../wording/standing-words.ts'
import { visible } from '../wording/visible.ts'
import { EXIT } from './exit.ts'
import { imagesListed, sheetInFolder } from './folder-content.ts'
import { ledgersIn } from './folder-ledger.ts'
import type { ReadingFlags } from './options.ts'
import { columnsOf, type HostProcess, printAnswer } from './printing.ts'

type SheetFlags = ReadingFlags & { readonly example?: boolean }

export async function sheet(
  folder: string,
  { example, format, records }: SheetFlags,
  around: HostProcess,
): Promise<number> {
  if (example === true) {
    if (format === 'json') throw usageError('--example prints a CSV file: leave out --format json.')
    around.stdout.write(exampleSheet())
    return EXIT.done
  }
  const read = await readSheet(folder)
  const settings = createSettings({ folder, records })
  const { images: listed } = await imagesListed(settings, around)
  const present = listed.map(presentImage)
  const check = checkPlan(read.rows, read.columns, present)
  const errors = [...read.errors, ...check.errors]
  const warnings = [...read.warnings, ...check.warnings]
  const images = present.map(({ image }) => image)
  const plan = await planSoFar(read.rows, images, settings.records)
  const remaining = remainingPulls(plan, createImageNames(images), [], settings.folderFile.linkMbps)
  const devices = plan.devices.map(({ device, standing, done }) => ({ device, standing, done }))
  printAnswer(around, format, { rows: read.rows, errors, warnings, devices, remaining }, () => [
    ...sheetLines(read, plan, columnsOf(around.stdout)),
    ...(errors.length + warnings.length === 0 ? [] : ['']),
    ...errors.map(visible),
    ...warnings.map((text) => `Warning: ${visible(text)}`),
    ...(remaining === null ? [] : ['', remainingWords(remaining)]),
  ])
  return errors.length === 0 ? EXIT.done : EXIT.checkFailed
}

function presentImage({ name, plainPath, bytes, sha256, state, reason }: ImageView): PresentImage {
  const why = reason ?? `it is ${stateWords(state)}`
  return {
    image: { name, plainPath, bytes, sha256: sha256 ?? '' },
    notOffered: state === 'ready' ? null : state === 'held' ? `it is held. ${why}` : why,
  }
}

/** What the ledger, where there is one, says of the devices of the sheet. */
async function planSoFar(
  rows: readonly PlannedRow[],
  present: readonly ImageReference[],
  records: string,
): Promise<Plan> {
  const ledgers = await visitFacts(ledgersIn(records))
  const macOf = (address: string): string | null => ledgers[0]?.macOf(address) ?? null
  return planAgainstFacts({ rows, ledgers, moved: [], present, over: false, macOf })
}

/** Throws the coded errors of the folder, and FP_USAGE when there is no sheet. */
async function readSheet(folder: string): Promise<ReadSheet> {
  const { sheet: found, trouble } = await sheetInFolder(folder)
  if (found !== undefined) return found
  if (trouble !== undefined) throw usageError(trouble)
  const near = (await FILE_ACCESS.list(folder)).find(({ name, isFolder }) => !isFolder && isNearSheet(name))
  const advice =
    near === undefined
      ? '"fetchproof sheet --example" prints one to begin from.'
      : `${visible(near.name)} is ${wordsForDocument(near.name)}.`
  throw usageError(`There is no ${SHEET_FILE} in the folder ${resolve(folder)}. ${advice}`)
}

function sheetLines({ rows }: ReadSheet, plan: Plan, columns: number | undefined): string[] {
  const devices = new Map(plan.devices.map((device) => [deviceKey(device.device), device]))
  const standing = ({ device, step }: PlannedRow): string => {
    const planned = devices.get(deviceKey(device))
    const at = planned?.steps[step - 1]
    return planned === undefined || at === undefined ? '-' : stepWords(at, planned.via)
  }
  return tableLines(
    [
      { title: 'Row', align: 'right', cell: (row) => String(row.row) },
      { title: 'Standing', head: true, cell: standing },
      { title: 'Device', head: true, name: true, cell: (row) => row.device },
      { title: 'Step', align: 'right', cell: (row) => String(row.step) },
      { title: 'Address', cell: (row) => row.address ?? '-' },
      { title: 'Hardware address', cell: (row) => row.mac ?? '-' },
      { title: 'Via', cell: (row) => row.via ?? '-' },
      { title: 'Image', head: true, name: true, cell: (row) => row.image ?? '-' },
      { title: 'Before', cell: (row) => row.versionBefore ?? '-' },
      { title: 'Target', cell: (row) => row.versionTarget ?? guessedTarget(row) },
    ],
    rows,
    columns,
  )
}

/** From the name of the planned image. */
function guessedTarget({ image }: PlannedRow): string {
  const guess = guessFromName(image ?? '')
  return guess === undefined ? '-' : `${guess} (a guess)`
}
