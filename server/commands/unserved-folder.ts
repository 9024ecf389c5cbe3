/** The catalogue of a folder that nobody serves at this moment: what is new is digested here, with a bar. */
import { existsSync } from 'node:fs'
import { join } from 'node:path'
import { type JudgedCatalogue, openJudgedCatalogue } from '../depot/judged-catalogue.ts'
import { LEDGER_FILE, readEntries } from '../ledger/read.ts'
import type { Settings } from '../settings.ts'
import type { Catalogue } from '../staging/catalogue.ts'
import type { Image } from '../staging/image.ts'
import { createImageHistory, type ImageHistory } from '../staging/image-history.ts'
import type { HostProcess } from './host-process.ts'
import { createProgress } from './progress.ts'

/**
 * Hands the catalogue over when every image is ready, held or locked, and closes it afterwards. Nothing is written
 * but the catalogue's own file. `history`: what the ledger says of the images, where the caller has read it already.
 * Throws FP_FOLDER_MISSING, FP_FOLDER_NOT_FOLDER, FP_FOLDER_UNREADABLE, and what `use` throws.
 */
export async function withCatalogue<T>(
  settings: Settings,
  around: Pick<HostProcess, 'stderr'>,
  use: (catalogue: Catalogue, unused: JudgedCatalogue['unused']) => Promise<T> | T,
  history?: ImageHistory,
): Promise<T> {
  const known = history ?? (await readHistory(settings))
  const judged = await openJudgedCatalogue(settings, known)
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

async function readHistory(settings: Settings): Promise<ImageHistory> {
  const history = createImageHistory()
  const ledger = join(settings.records, LEDGER_FILE)
  if (existsSync(ledger)) {
    for await (const batch of readEntries(ledger)) for (const entry of batch) history.apply(entry)
  }
  return history
}

function shareDone(images: readonly Image[]): number {
  const total = images.reduce((sum, { bytes }) => sum + bytes, 0)
  const done = images.reduce((sum, { bytes, state, progress }) => {
    if (state === 'ready' || state === 'held') return sum + bytes
    return sum + bytes * (progress ?? 0)
  }, 0)
  return total === 0 ? 1 : done / total
}
