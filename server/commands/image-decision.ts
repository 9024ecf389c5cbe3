/**
 * `fetchproof hold` and `fetchproof lift`: what a person decides about one image goes on record before it counts, by
 * the server that serves the folder, else here, with the ledger's lock.
 */
import { relative, resolve, sep } from 'node:path'
import { liftOf, notHeld, userName, versionOf } from '../depot/image-records.ts'
import { FetchproofError, usageError } from '../errors.ts'
import { checkFolder } from '../files/folder.ts'
import type { NewEntry } from '../ledger/entries.ts'
import { type ImageView, imageView } from '../report/image-view.ts'
import { createSettings } from '../settings.ts'
import type { Image } from '../staging/image.ts'
import { createImageHistory } from '../staging/image-history.ts'
import { stateWords } from '../staging/image-words.ts'
import { createNearestNames } from '../staging/nearest-name.ts'
import { visible } from '../wording/visible.ts'
import { EXIT } from './exit.ts'
import { withCatalogue } from './folder-content.ts'
import { withLedger } from './folder-ledger.ts'
import type { RecordingFlags } from './options.ts'
import { type HostProcess, printAnswer } from './printing.ts'
import { type RunningServer, runningServer } from './running-server.ts'

type DecisionFlags = RecordingFlags & { readonly reason: string }

interface DecisionForm {
  /** The running server is asked there. */
  readonly path: '/api/hold' | '/api/lift'
  /** What the reason is to say. */
  readonly why: string
  /** What the ledger says; throws where it cannot be decided. */
  readonly entry: (image: Image, decided: { readonly by: string; readonly reason: string }) => NewEntry
  /** Throws the same for an image that the running server shows. */
  readonly check: (image: ImageView) => void
  /** Of the image as it stood before. */
  readonly json: (image: ImageView) => object
  /** `served`: the folder is being served, and it counts already. */
  readonly lines: (image: ImageView, who: string, served: boolean) => readonly string[]
}

export const hold = decision({
  path: '/api/hold',
  why: 'must not be served',
  entry: (image, decided) => ({ kind: 'held', name: image.name, sha256: versionOf(image), ...decided }),
  check({ name, state, sha256 }) {
    if (sha256 === null)
      throw new FetchproofError('FP_IMAGE_UNREAD', { image: name, state: stateWords(state) })
  },
  json: ({ name, sha256 }) => ({ held: name, sha256 }),
  lines: ({ name, sha256 }, who, served) => [
    `${visible(name)}: held by ${who}.`,
    served
      ? 'No device can fetch it now; fetches of it in progress have been reset.'
      : 'It will not be offered when the folder is served.',
    `The hold is for these bytes (SHA-256 ${sha256}). "fetchproof lift" ends it.`,
  ],
})

export const lift = decision({
  path: '/api/lift',
  why: 'may be served',
  entry: (image, decided) => ({ ...liftOf(image), ...decided }),
  check(image) {
    if (image.state !== 'held') throw notHeld(image)
  },
  json: ({ name, sha256, reason }) => ({ lifted: name, sha256, was: reason }),
  lines: ({ name, sha256, reason }, who, served) => [
    `${visible(name)}: the hold is lifted by ${who}.`,
    `It was held: ${visible(reason ?? 'no reason given')}`,
    `The lift is for these bytes (SHA-256 ${sha256}) and this reason: a changed file needs a new one, and so does another reason.`,
    served ? 'Devices can fetch it now.' : 'It will be offered when the folder is served.',
  ],
})

/** Throws FP_USAGE, FP_IMAGE_UNKNOWN, what the form throws, and the errors of ledger, folder and running server. */
function decision(form: DecisionForm) {
  return async (given: string, flags: DecisionFlags, around: HostProcess): Promise<number> => {
    const settings = createSettings({ folder: flags.folder, records: flags.records })
    const decided = { reason: flags.reason.trim(), by: (flags.by ?? userName()).trim() }
    if (decided.reason === '') {
      const why = `Say why the image ${form.why}: it stands in the ledger for good.`
      throw usageError(`--reason is empty. ${why}`)
    }
    const server = await runningServer(settings.records)
    const served = server !== undefined
    const image = served ? await decidedThere(server) : await decidedHere()
    const who = `${visible(decided.by)} (${visible(decided.reason)})`
    const json = { ...form.json(image), ...decided, served }
    printAnswer(around, flags.format, json, () => form.lines(image, who, served))
    return EXIT.done

    async function decidedThere({ ask }: RunningServer): Promise<ImageView> {
      const { images } = (await ask('GET', '/api/images')) as { images: readonly ImageView[] }
      const named = imageNamed(images, given, settings.folder)
      form.check(named)
      await ask('POST', form.path, { name: named.name, ...decided })
      return named
    }

    async function decidedHere(): Promise<ImageView> {
      await checkFolder(settings.folder)
      const history = createImageHistory()
      // The lock first, so that nobody begins to serve the folder between looking and recording.
      return withLedger({ records: settings.records, onEntry: history.apply }, (ledger) =>
        withCatalogue({ settings, around, history }, (catalogue) => {
          const named = imageNamed(catalogue.images(), given, settings.folder)
          ledger.append(form.entry(named, decided))
          return imageView(named, [])
        }),
      )
    }
  }
}

/**
 * Which one a person means: its name, a path that it is served under, or the file as the shell completes it. Throws
 * FP_IMAGE_UNKNOWN with the nearest name.
 */
function imageNamed<T extends Pick<ImageView, 'name' | 'plainPath'> & { digestPath?: string | null }>(
  images: readonly T[],
  given: string,
  folder: string,
): T {
  const path = given.startsWith('/') ? given : `/${given}`
  const inFolder = relative(folder, resolve(given)).split(sep).join('/')
  const found =
    images.find(({ name }) => name === given) ??
    images.find(({ plainPath, digestPath }) => plainPath === path || digestPath === path) ??
    images.find(({ name }) => name === inFolder) ??
    images.find(({ name }) => name.normalize('NFC') === given.normalize('NFC'))
  if (found !== undefined) return found
  const names = createNearestNames()
  for (const { name } of images) names.set(name, name)
  const nearest = names.find(given)
  const hint =
    nearest === undefined ? '"fetchproof images" lists what is there.' : `The nearest name is ${nearest}.`
  throw new FetchproofError('FP_IMAGE_UNKNOWN', { image: given, folder, hint })
}
