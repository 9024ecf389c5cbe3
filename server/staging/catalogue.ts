/** The catalogue: what the staging folder offers, kept true to the folder. It writes no ledger; it tells. */
import { EventEmitter } from 'node:events'
import { join, relative } from 'node:path'
import { FetchproofError } from '../errors.ts'
import { FILE_ACCESS, type FileAccess } from '../files/file-access.ts'
import { checkFolder, isInside, openAgain } from '../files/folder.ts'
import { createWriterOf, type WriterOf } from '../files/open-writers.ts'
import { takeOwnSecret } from '../files/user-state.ts'
import type { Settings } from '../settings.ts'
import { createTell } from './catalogue-events.ts'
import { CATALOGUE_FILE, type OnRecordOf, openCatalogueStore } from './catalogue-store.ts'
import { createChecksumFiles } from './checksum-files.ts'
import { withCopyTraces } from './copy-traces.ts'
import { createDigests } from './digests.ts'
import { createDocuments } from './documents.ts'
import { createFurtherDigests } from './further-digests.ts'
import { createHolds } from './holds.ts'
import type { CatalogueEvents, Image } from './image.ts'
import { createImageLives } from './image-lives.ts'
import type { Judge } from './judge.ts'
import type { Clock, LifeOptions } from './life-state.ts'
import { createLookup } from './lookup.ts'
import { createNotOffered } from './not-offered.ts'
import { createOfferRule, wordsForDocument, wordsForNever } from './offered-names.ts'
import { createPlainPaths } from './plain-paths.ts'
import { createDownloads } from './unfinished-downloads.ts'
import { createWatch, type EventSource, type Sight } from './watch.ts'

export interface CatalogueOptions {
  readonly settings: Pick<Settings, 'folder' | 'records' | 'settleMs' | 'settleUnsureMs' | 'rescanMs'>
  readonly judge: Judge
  /** The name of the file to which the ledger has given this plain path. */
  readonly offered?: (path: string) => string | undefined
  readonly recorded?: OnRecordOf
  /** What persons decided, as the ledger knows. */
  readonly decide?: LifeOptions['decide']
  readonly clock?: Clock
  readonly files?: FileAccess
  readonly fileEvents?: EventSource
  /** Who holds a file open for writing. */
  readonly writerOf?: WriterOf
}

export type Catalogue = Awaited<ReturnType<typeof createCatalogue>>

/** Formats that are texts, as the judge names them. */
const TEXT_KINDS: ReadonlySet<string> = new Set(['text', 'JSON', 'XML', 'HTML', 'script'])

/** Starts watching. Throws FP_FOLDER_MISSING, FP_FOLDER_NOT_FOLDER, FP_FOLDER_UNREADABLE. */
export async function createCatalogue(options: CatalogueOptions) {
  // Long: the room's wiring; its parts call each other, so that they are made at one place.
  const { settings, judge } = options
  const files = options.files ?? FILE_ACCESS
  const folder = await checkFolder(settings.folder)
  const events = new EventEmitter<CatalogueEvents>()
  // Nothing is judged, and no trouble told, before the caller has had its turn to listen.
  let start: () => void = () => {}
  const started = new Promise<void>((resolve) => {
    start = resolve
  })
  const tell = createTell(events)
  const onTrouble = (message: string) => void started.then(() => tell('trouble', message))

  const store = await openCatalogueStore({
    file: join(settings.records, CATALOGUE_FILE),
    recorded: options.recorded ?? (() => undefined),
    secret: takeOwnSecret('catalogue-key').secret,
    onTrouble,
  })
  const rule = createOfferRule({
    folder,
    records: realRecords(folder, settings),
    isChecksumFile: judge.isChecksumFile,
  })
  const lookup = createLookup()
  const passedOver = createNotOffered(() => void tell('notOffered'))
  const digests = createDigests()
  const fileOf = (name: string) => join(folder, ...name.split('/'))
  const mayOpen = (name: string) => rule.kindOf(name) !== 'never'
  const open = (name: string) => files.open(folder, fileOf(name), mayOpen)
  const further = createFurtherDigests(digests, open)
  const writerOf = options.writerOf ?? createWriterOf()
  let sorted: readonly Image[] | undefined
  let names: readonly string[] | undefined
  const waiting: (() => void)[] = []
  let closing: Promise<void> | undefined

  const lives = createImageLives({
    times: settings,
    clock: options.clock ?? { nowMs: Date.now, steadyMs: () => performance.now() },
    judge: {
      async judge(input) {
        await started
        await documents.settled()
        await checksums.read()
        return withCopyTraces(await judge.judge(input), input.version)
      },
    },
    digests,
    further,
    store,
    paths: createPlainPaths(options.offered ?? (() => undefined)),
    fileOf,
    open,
    look: (name) => watch.look(name),
    writerOf: async (name) => writerOf(await files.realpath(fileOf(name))),
    decide: options.decide ?? createHolds(() => undefined).decide,
    onChanged(image) {
      sorted = undefined
      if (lookup.set(image)) names = undefined
      tell('changed', image)
      wakeIdle()
    },
    onJudged: (image) => void tell('judged', image),
    onLost: (image, why) => void tell('lost', image, why),
    onGone(image) {
      sorted = undefined
      names = undefined
      lookup.delete(image.name)
      tell('gone', image)
      wakeIdle()
    },
  })

  const watch = createWatch({
    folder,
    rescanMs: settings.rescanMs,
    files,
    mayHoldImages: rule.mayHoldImages,
    isOfInterest: rule.isSeen,
    mayLeadTo: mayOpen,
    onFoldersPassedOver: passedOver.folders,
    onSeen: (sight) => {
      const kind = rule.kindOf(sight.name)
      if (kind === 'checksums') checksums.seen(sight)
      else if (kind !== 'never') documents.seen(sight, kind)
      else {
        passedOver.set(sight.name, wordsForNever(sight.name))
        downloads.seen(sight.name)
      }
    },
    onGone(name) {
      checksums.gone(name)
      documents.gone(name)
      lives.gone(name)
      passedOver.set(name, undefined)
      downloads.gone(name)
    },
    onTrouble,
    events: options.fileEvents,
  })
  const checksums = createChecksumFiles({ judge, onTrouble, rejudge: () => rejudge() })
  const documents = createDocuments({
    open,
    known(sight) {
      const stored = store.find(sight.name, sight.identity)
      if (stored === undefined) return undefined
      return TEXT_KINDS.has(stored.judgement?.format.kind ?? 'text') ? 'text' : 'other'
    },
    onImage: imageSeen,
    onDocument(name) {
      lives.gone(name)
      passedOver.set(name, wordsForDocument(name))
    },
    onText: (sight, isText) => (isText ? checksums.seen(sight) : checksums.gone(sight.name)),
  })
  const downloads = createDownloads({
    *emptyImages() {
      for (const { name, bytes } of lives.all()) if (bytes === 0) yield name
    },
    again: (name) => void watch.look(name),
  })

  function imageSeen(sight: Sight): void {
    const words = downloads.wordsFor(sight)
    passedOver.set(sight.name, words)
    if (words === undefined) lives.seen(sight)
    else lives.gone(sight.name)
  }

  function wakeIdle(): void {
    if (waiting.length === 0 || !lives.areSettled()) return
    for (const wake of waiting.splice(0)) wake()
  }

  async function rejudge(name?: string): Promise<void> {
    const names = name === undefined ? [...lives.all()].map((image) => image.name) : [name]
    await Promise.all(names.map((each) => lives.rejudge(each)))
    wakeIdle()
  }

  await watch.start()
  await documents.settled()
  setImmediate(start)

  return {
    events,
    /** Sorted by name. */
    images(): readonly Image[] {
      sorted ??= Object.freeze([...lives.all()].sort((a, b) => (a.name < b.name ? -1 : 1)))
      return sorted
    },
    /** Names of all images; the same object until one comes or goes. */
    names(): readonly string[] {
      names ??= Object.freeze([...lives.all()].map((image) => image.name))
      return names
    },
    get: lives.get,
    /** What a person may take for an image and is none, sorted by name; the same array until it changes. */
    notOffered: passedOver.all,
    /** `target`: the request target as Node gives it. */
    find: lookup.find,
    /** Opens the file of an image whose identity the caller compares. */
    openAgain: (name: string) => openAgain(fileOf(name)),
    /** Any digest of an image's present version. Throws FP_IMAGE_UNKNOWN, FP_IMAGE_CHANGED, FP_IMAGE_UNREADABLE. */
    async digest(name: string, algorithm: string): Promise<string> {
      const version = lives.get(name)?.version
      if (version === undefined) {
        const hint = 'Its digest is not known (yet).'
        throw new FetchproofError('FP_IMAGE_UNKNOWN', { image: name, folder: settings.folder, hint })
      }
      return further.digest(name, version, algorithm)
    },
    /** A person does not want to wait out the quiet time. Throws FP_IMAGE_UNKNOWN. */
    readyNow: lives.readyNow,
    /** Asks the judge again: about one image, or all. */
    rejudge,
    /** What a person decided about an image (`decide` says it) counts at once, if the image is there. */
    decided: lives.decided,
    /** A served block did not match: the file settles and is read anew. Throws FP_IMAGE_UNKNOWN. */
    reread: lives.reread,
    rescan: watch.rescan,
    /** Resolves when every known file is ready, held or locked. */
    async idle(): Promise<void> {
      for (;;) {
        await checksums.settled()
        await documents.settled()
        if (lives.areSettled() || closing !== undefined) return
        await new Promise<void>((wake) => waiting.push(wake))
      }
    },
    close(): Promise<void> {
      closing ??= (async () => {
        lives.close()
        checksums.close()
        await watch.close()
        await digests.close()
        await store.close()
        for (const wake of waiting.splice(0)) wake()
        events.removeAllListeners()
      })()
      return closing
    },
  }
}

/** The records folder as it lies under the folder's real path. */
function realRecords(folder: string, settings: Pick<Settings, 'folder' | 'records'>): string {
  const within = settings.records === settings.folder || isInside(settings.folder, settings.records)
  return within ? join(folder, relative(settings.folder, settings.records)) : settings.records
}
