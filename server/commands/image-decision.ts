/**
 * `fetchproof hold` and `fetchproof lift`: what a person decides about one image goes on record before it counts, by
 * the server that serves the folder, else here, with the ledger's lock.
 */
import { userName } from '../depot/depot.ts'
import { liftOf, notHeld, versionOf } from '../depot/image-records.ts'
import { FetchproofError, usageError } from '../errors.ts'
import { checkFolder } from '../files/folder.ts'
import type { NewEntry } from '../ledger/entries.ts'
import { type ImageView, imageView } from '../report/image-view.ts'
import { createSettings } from '../settings.ts'
import type { Image } from '../staging/image.ts'
import { createImageHistory } from '../staging/image-history.ts'
import { stateWords } from '../staging/image-words.ts'
import { visible } from '../wording/visible.ts'
import { EXIT } from './exit.ts'
import type { HostProcess } from './host-process.ts'
import { imageNamed } from './named-image.ts'
import type { RecordingFlags } from './options.ts'
import { printAnswer } from './printing.ts'
import { runningServer } from './running-server.ts'
import { withCatalogue } from './unserved-folder.ts'
import { withLedger } from './unserved-ledger.ts'

export interface DecisionFlags extends RecordingFlags {
  readonly reason: string
}

interface Decided {
  /** As it stood before. */
  readonly image: ImageView
  readonly reason: string
  readonly by: string
  /** The folder is being served, and it counts already. */
  readonly served: boolean
}

interface DecisionForm {
  /** What an empty reason is answered with. */
  readonly whyReason: string
  /** The running server is asked there. */
  readonly path: '/api/hold' | '/api/lift'
  /** What the ledger says of it; throws where it cannot be decided. */
  readonly entry: (image: Image, decision: { by: string; reason: string }) => NewEntry
  /** The same for an image that the running server shows. */
  readonly check: (image: ImageView) => void
}

const HOLD: DecisionForm = {
  whyReason: '--reason is empty. Say why the image must not be served: it stands in the ledger for good.',
  path: '/api/hold',
  entry: (image, decision) => ({ kind: 'held', name: image.name, sha256: versionOf(image), ...decision }),
  check({ name, state, sha256 }) {
    if (sha256 === null)
      throw new FetchproofError('FP_IMAGE_UNREAD', { image: name, state: stateWords(state) })
  },
}

export async function hold(named: string, flags: DecisionFlags, around: HostProcess): Promise<number> {
  const { image, reason, by, served } = await decideOn(named, flags, HOLD, around)
  const { name, sha256 } = image
  const lines = [
    `${visible(name)}: held by ${visible(by)} (${visible(reason)}).`,
    served
      ? 'No device can fetch it now; fetches of it in progress have been reset.'
      : 'It will not be offered when the folder is served.',
    `The hold is for these bytes (SHA-256 ${sha256}). "fetchproof lift" ends it.`,
  ]
  const held = { held: name, sha256, reason, by, served }
  printAnswer(around, flags.format, held, () => lines)
  return EXIT.done
}

const LIFT: DecisionForm = {
  whyReason: '--reason is empty. Say why the image may be served: it stands in the ledger for good.',
  path: '/api/lift',
  entry: (image, decision) => ({ ...liftOf(image), ...decision }),
  check(image) {
    if (image.state !== 'held') throw notHeld(image)
  },
}

export async function lift(named: string, flags: DecisionFlags, around: HostProcess): Promise<number> {
  const { image, reason, by, served } = await decideOn(named, flags, LIFT, around)
  const { name, sha256, reason: was } = image
  const lines = [
    `${visible(name)}: the hold is lifted by ${visible(by)} (${visible(reason)}).`,
    `It was held: ${visible(was ?? 'no reason given')}`,
    `The lift is for these bytes (SHA-256 ${sha256}) and this reason: a changed file needs a new one, and so does another reason.`,
    served ? 'Devices can fetch it now.' : 'It will be offered when the folder is served.',
  ]
  const lifted = { lifted: name, sha256, was, reason, by, served }
  printAnswer(around, flags.format, lifted, () => lines)
  return EXIT.done
}

/** Throws FP_USAGE, FP_IMAGE_UNKNOWN, what the form throws, and the errors of ledger, folder and running server. */
async function decideOn(
  named: string,
  { folder, records, ...flags }: DecisionFlags,
  form: DecisionForm,
  around: HostProcess,
): Promise<Decided> {
  const settings = createSettings({ folder, records })
  const decision = { reason: flags.reason.trim(), by: (flags.by ?? userName()).trim() }
  if (decision.reason === '') throw usageError(form.whyReason)
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
