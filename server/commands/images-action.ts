/** `fetchproof images`: what a staging folder offers. Asks the server where the folder is being served. */
import { type ImageView, imageView, standingText } from '../report/image-view.ts'
import { tableLines } from '../report/table.ts'
import { createSettings, type Settings } from '../settings.ts'
import { bytesText } from '../wording/units.ts'
import { shortened } from '../wording/visible.ts'
import { EXIT } from './exit.ts'
import type { ImagesFlags } from './images.ts'
import { runningServer } from './running-server.ts'
import type { Surroundings } from './surroundings.ts'
import { withCatalogue } from './unserved-folder.ts'

export async function images(
  folder: string,
  { format, records }: ImagesFlags,
  around: Surroundings,
): Promise<number> {
  const settings = createSettings({ folder, ...(records !== undefined && { records }) })
  const views = (await askServer(settings)) ?? (await digestHere(settings, around))
  if (format === 'json') around.stdout.write(`${JSON.stringify({ images: views }, null, 2)}\n`)
  else around.stdout.write(`${imageLines(views).join('\n')}\n`)
  return views.some((view) => view.state === 'held') ? EXIT.checkFailed : EXIT.done
}

async function askServer(settings: Settings): Promise<readonly ImageView[] | undefined> {
  const server = await runningServer(settings.records)
  const answer = await server?.ask('GET', '/api/images')
  return (answer as { images: readonly ImageView[] } | undefined)?.images
}

/** Nobody serves the folder: what is new is digested here. */
function digestHere(settings: Settings, around: Surroundings): Promise<readonly ImageView[]> {
  return withCatalogue(settings, around, (catalogue) =>
    catalogue.images().map((image) => imageView(image, [])),
  )
}

function imageLines(views: readonly ImageView[]): string[] {
  if (views.length === 0) return ['The staging folder holds no image.']
  const table = tableLines(
    [
      { title: 'Image', cell: (row) => shortened(row.name, 40) },
      { title: 'State', cell: (row) => row.state },
      { title: 'Bytes', align: 'right', cell: (row) => bytesText(row.bytes) },
      { title: 'SHA-256', cell: (row) => row.sha256 ?? '-' },
      { title: 'Path', cell: (row) => row.plainPath },
      { title: 'Short path', cell: (row) => row.digestPath ?? '-' },
      { title: 'Published checksum', cell: (row) => standingText(row.published) },
      { title: 'Format', cell: (row) => `${row.format.kind}: ${row.format.verdict}` },
    ],
    views,
  )
  const remarks = views.flatMap((view) => {
    const parts = [...(view.reason === null ? [] : [`${view.state}: ${view.reason}`]), ...view.notes]
    return parts.map((part) => `${view.name}: ${part}`)
  })
  return remarks.length === 0 ? table : [...table, '', ...remarks]
}
