/** `fetchproof images`: what a staging folder offers. Asks the server where the folder is being served. */
import { type ImageView, standingText } from '../report/image-view.ts'
import { tableLines } from '../report/table.ts'
import { createSettings } from '../settings.ts'
import { stateWords } from '../staging/image-words.ts'
import type { NotOffered } from '../staging/not-offered.ts'
import { formatWords } from '../wording/format-words.ts'
import { bytesText } from '../wording/units.ts'
import { shortened, visible } from '../wording/visible.ts'
import { EXIT } from './exit.ts'
import type { HostProcess } from './host-process.ts'
import type { ImagesFlags } from './images.ts'
import { imagesListed } from './images-listed.ts'
import { unusedWords } from './serve/not-offered-words.ts'

export async function images(
  folder: string,
  { format, records }: ImagesFlags,
  around: HostProcess,
): Promise<number> {
  const settings = createSettings({ folder, ...(records !== undefined && { records }) })
  const listed = await imagesListed(settings, around)
  const { images: views, notOffered, unused } = listed
  if (format === 'json') around.stdout.write(`${JSON.stringify(listed, null, 2)}\n`)
  else
    around.stdout.write(
      `${[...imageLines(views), ...notOfferedLines(notOffered), ...unused.map(unusedWords)].join('\n')}\n`,
    )
  return views.some((view) => view.state === 'held') ? EXIT.checkFailed : EXIT.done
}

function notOfferedLines(notOffered: readonly NotOffered[]): string[] {
  return notOffered.map(({ name, why }) => `not offered: ${visible(name)} (${visible(why)})`)
}

function imageLines(views: readonly ImageView[]): string[] {
  if (views.length === 0) return ['The staging folder holds no image.']
  const table = tableLines(
    [
      { title: 'Image', cell: (row) => shortened(row.name, 40) },
      { title: 'State', cell: (row) => stateWords(row.state) },
      { title: 'Bytes', align: 'right', cell: (row) => bytesText(row.bytes) },
      { title: 'SHA-256', cell: (row) => row.sha256 ?? '-' },
      { title: 'Path', cell: (row) => row.plainPath },
      { title: 'Short path', cell: (row) => row.digestPath ?? '-' },
      { title: 'Published checksum', cell: (row) => standingText(row.published) },
      { title: 'Format', cell: (row) => formatWords(row.format) },
    ],
    views,
  )
  const remarks = views.flatMap((view) => {
    const parts = [
      ...(view.reason === null ? [] : [`${stateWords(view.state)}: ${view.reason}`]),
      ...view.notes,
    ]
    return parts.map((part) => `${view.name}: ${part}`)
  })
  return remarks.length === 0 ? table : [...table, '', ...remarks]
}
