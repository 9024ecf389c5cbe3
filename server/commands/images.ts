/** `fetchproof images`: what a staging folder offers. Asks the server where the folder is being served. */
import { type ImageView, standingText } from '../report/image-view.ts'
import { type Column, tableLines } from '../report/table.ts'
import { createSettings } from '../settings.ts'
import { stateWords } from '../staging/image-words.ts'
import { formatWords } from '../wording/format-words.ts'
import { bytesText } from '../wording/units.ts'
import { shortened, visible } from '../wording/visible.ts'
import { EXIT } from './exit.ts'
import { imagesListed } from './folder-content.ts'
import type { ReadingFlags } from './options.ts'
import { columnsOf, type HostProcess, printAnswer } from './printing.ts'
import { unusedWords } from './serve/not-offered-words.ts'

export async function images(
  folder: string,
  { format, records }: ReadingFlags,
  around: HostProcess,
): Promise<number> {
  const listed = await imagesListed(createSettings({ folder, records }), around)
  const { images: views, notOffered, unused } = listed
  printAnswer(around, format, listed, () => [
    ...imageLines(views, columnsOf(around.stdout)),
    ...notOffered.map(({ name, why }) => `not offered: ${visible(name)} (${visible(why)})`),
    ...unused.map(unusedWords),
  ])
  return views.some((view) => view.state === 'held') ? EXIT.checkFailed : EXIT.done
}

function imageLines(views: readonly ImageView[], columns: number | undefined): string[] {
  if (views.length === 0) return ['The staging folder holds no image.']
  const remarks = views.flatMap(({ name, state, reason, lifted, notes }) =>
    [
      ...(reason === null ? [] : [`${stateWords(state)}: ${reason}`]),
      ...(lifted === null ? [] : [`served although it differs: ${lifted.reason} (${lifted.by})`]),
      ...notes,
    ].map((remark) => visible(`${name}: ${remark}`)),
  )
  const table = tableLines(COLUMNS, views, columns)
  return remarks.length === 0 ? table : [...table, '', ...remarks]
}

const COLUMNS: readonly Column<ImageView>[] = [
  { title: 'State', head: true, cell: ({ state }) => stateWords(state) },
  { title: 'Image', head: true, name: true, cell: ({ name }) => shortened(name, 40) },
  { title: 'Bytes', align: 'right', cell: ({ bytes }) => bytesText(bytes) },
  { title: 'Published checksum', cell: ({ published }) => standingText(published) },
  { title: 'Format', cell: ({ format }) => formatWords(format) },
  { title: 'SHA-256', below: true, cell: ({ sha256 }) => sha256 ?? '-' },
  { title: 'Path', below: true, cell: ({ plainPath }) => plainPath },
  { title: 'Short path', below: true, cell: ({ digestPath }) => digestPath ?? '-' },
]
