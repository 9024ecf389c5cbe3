/**
 * What a person decides about one image (a hold, a lift) goes on record before it counts: by the server that serves
 * the folder, else here, with the ledger's lock.
 */
import { userName } from '../depot/depot.ts'
import { FetchproofError } from '../errors.ts'
import { checkFolder } from '../files/folder.ts'
import type { NewEntry } from '../ledger/entries.ts'
import { type ImageView, imageView } from '../report/image-view.ts'
import { createSettings } from '../settings.ts'
import type { Image } from '../staging/image.ts'
import { createImageHistory } from '../staging/image-history.ts'
import type { HostProcess } from './host-process.ts'
import { imageNamed } from './named-image.ts'
import { runningServer } from './running-server.ts'
import { withCatalogue } from './unserved-folder.ts'
import { withLedger } from './unserved-ledger.ts'

export interface DecisionFlags {
  readonly reason: string
  readonly by?: string
  readonly folder: string
  readonly records?: string
  readonly format: 'text' | 'json'
}

interface Decided {
  /** As it stood before. */
  readonly image: ImageView
  readonly reason: string
  readonly by: string
  /** The folder is being served, and it counts already. */
  readonly served: boolean
}

export interface DecisionForm {
  /** What an empty reason is answered with. */
  readonly whyReason: string
  /** The running server is asked there. */
  readonly path: '/api/hold' | '/api/lift'
  /** What the ledger says of it; throws where it cannot be decided. */
  readonly entry: (image: Image, decision: { by: string; reason: string }) => NewEntry
  /** The same for an image that the running server shows. */
  readonly check: (image: ImageView) => void
}

/** Throws FP_USAGE, FP_IMAGE_UNKNOWN, what the form throws, and the errors of ledger, folder and running server. */
export async function decideOn(
  named: string,
  { folder, records, ...flags }: DecisionFlags,
  form: DecisionForm,
  around: HostProcess,
): Promise<Decided> {
  const settings = createSettings({ folder, records })
  const decision = { reason: flags.reason.trim(), by: (flags.by ?? userName()).trim() }
  if (decision.reason === '') throw new FetchproofError('FP_USAGE', { why: form.whyReason })
  const server = await runningServer(settings.records)
  if (server !== undefined) {
    const { images } = (await server.ask('GET', '/api/images')) as { images: readonly ImageView[] }
    const image = imageNamed(images, named, settings.folder)
    form.check(image)
    await server.ask('POST', form.path, { name: image.name, ...decision })
    return { image, ...decision, served: true }
  }
  await checkFolder(settings.folder)
  const history = createImageHistory()
  // The lock first, so that nobody begins to serve the folder between looking and recording.
  return withLedger(
    settings.records,
    (ledger) =>
      withCatalogue(
        settings,
        around,
        (catalogue) => {
          const image = imageNamed(catalogue.images(), named, settings.folder)
          ledger.append(form.entry(image, decision))
          return { image: imageView(image, []), ...decision, served: false }
        },
        history,
      ),
    history.apply,
  )
}
