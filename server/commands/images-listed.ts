/** The images of a folder as they stand: asked of the server where it is served, digested here where it is not. */
import { type ImageView, imageView } from '../report/image-view.ts'
import type { Settings } from '../settings.ts'
import type { NotOffered } from '../staging/not-offered.ts'
import type { Unused } from '../trust/published/unused.ts'
import type { HostProcess } from './host-process.ts'
import { runningServer } from './running-server.ts'
import { withCatalogue } from './unserved-folder.ts'

interface ImagesListed {
  readonly images: readonly ImageView[]
  readonly notOffered: readonly NotOffered[]
  /** What checksum texts say and was used for no image. */
  readonly unused: readonly Unused[]
}

export async function imagesListed(
  settings: Settings,
  around: Pick<HostProcess, 'stderr'>,
): Promise<ImagesListed> {
  const server = await runningServer(settings.records)
  if (server !== undefined) return (await server.ask('GET', '/api/images')) as ImagesListed
  return withCatalogue(settings, around, (catalogue, unused) => ({
    images: catalogue.images().map((image) => imageView(image, [])),
    notOffered: catalogue.notOffered(),
    unused: unused(),
  }))
}
