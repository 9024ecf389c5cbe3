/** What lies in a staging folder: asked of the server where it is served, read here where it is not. */
import { type JudgedCatalogue, openJudgedCatalogue } from '../depot/judged-catalogue.ts'
import { checkFolder } from '../files/folder.ts'
import { readEntries } from '../ledger/read.ts'
import { type ImageView, imageView } from '../report/image-view.ts'
import type { Settings } from '../settings.ts'
import type { Catalogue } from '../staging/catalogue.ts'
import { type Image, isJudged } from '../staging/image.ts'
import { createImageHistory, type ImageHistory } from '../staging/image-history.ts'
import type { NotOffered } from '../staging/not-offered.ts'
import type { Unused } from '../trust/published/unused.ts'
import { createVisitFile } from '../visit/visit-file.ts'
import { ledgersIn } from './folder-ledger.ts'
import { createProgress, type HostProcess } from './printing.ts'
import { runningServer } from './running-server.ts'

interface ImagesListed {
  readonly images: readonly ImageView[]
  readonly notOffered: readonly NotOffered[]
  /** What checksum texts say and was used for no image. */
  readonly unused: readonly Unused[]
}

export async function imagesListed(settings: Settings, around: HostProcess): Promise<ImagesListed> {
  const server = await runningServer(settings.records)
  if (server !== undefined) return (await server.ask('GET', '/api/images')) as ImagesListed
  return withCatalogue({ settings, around }, (catalogue, unused) => ({
    images: catalogue.images().map((image) => imageView(image, [])),
    notOffered: catalogue.notOffered(),
    unused: unused(),
  }))
}

interface Unserved {
  readonly settings: Settings
  readonly around: HostProcess
  /** What the ledger says of the images, where that was read already. */
  readonly history?: ImageHistory
}

/**
 * Of a folder that nobody serves: what is new is digested here, with a bar. Hands the catalogue over when every image is
 * ready, held or locked, and closes it afterwards; nothing is written but the catalogue's own file. Throws
 * FP_FOLDER_MISSING, FP_FOLDER_NOT_FOLDER, FP_FOLDER_UNREADABLE, and what `use` throws.
 */
export async function withCatalogue<T>(
  { settings, around, history }: Unserved,
  use: (catalogue: Catalogue, unused: JudgedCatalogue['unused']) => Promise<T> | T,
): Promise<T> {
  const judged = await openJudgedCatalogue(settings, history ?? (await readHistory(settings)))
  const { catalogue } = judged
  const progress = createProgress(around.stderr)
  try {
    catalogue.events.on('changed', () => progress.show(shareDone(catalogue.images()), 'digesting'))
    for (const image of catalogue.images()) if (image.state === 'settling') catalogue.readyNow(image.name)
    await catalogue.idle()
    progress.end()
    return await use(catalogue, judged.unused)
  } finally {
    progress.end()
    await judged.close()
  }
}

async function readHistory({ records }: Settings): Promise<ImageHistory> {
  const history = createImageHistory()
  for (const ledger of ledgersIn(records)) {
    for await (const batch of readEntries(ledger)) for (const entry of batch) history.apply(entry)
  }
  return history
}

function shareDone(images: readonly Image[]): number {
  const total = images.reduce((sum, { bytes }) => sum + bytes, 0)
  const done = images.reduce(
    (sum, image) => sum + image.bytes * (isJudged(image) ? 1 : (image.progress ?? 0)),
    0,
  )
  return total === 0 ? 1 : done / total
}

/** The visit sheet, read once; `trouble`: why one that is there could not be. Throws the coded errors of the folder. */
export async function sheetInFolder(folder: string) {
  const file = createVisitFile({ folder: await checkFolder(folder) })
  const troubles: string[] = []
  file.events.on('trouble', (message) => troubles.push(message))
  try {
    await file.look()
  } finally {
    file.close()
  }
  return { sheet: file.sheet, trouble: troubles[0] }
}
