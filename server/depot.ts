/**
 * The running whole without any HTTP: catalogue, ledger, delivery and pulls wired together. Building it starts
 * watching; whoever listens and prints stands above.
 */
import { EventEmitter } from 'node:events'
import { hostname, platform, release, userInfo } from 'node:os'
import { createBlockStore } from './delivery/blocks.ts'
import { createDelivery, type Delivery } from './delivery/delivery.ts'
import { imageFileOf } from './delivery/image-file.ts'
import { createLivePulls, type LivePull } from './delivery/live-pulls.ts'
import { createPullBook, type PullBook } from './delivery/pulls.ts'
import type { FetchRecord } from './delivery/records.ts'
import { createVersionMemory, type VersionMemory } from './delivery/version-memory.ts'
import { FetchproofError, isFetchproofError } from './errors.ts'
import type { Entry, ImageReference, NewEntry, OwnAddressReference } from './ledger/entries.ts'
import { type Ledger, openLedger } from './ledger/ledger.ts'
import { addressFor, createOwnAddresses, type OwnAddress } from './network/addresses.ts'
import { type Base, basesOf, type Listening } from './network/bases.ts'
import { systemNeighbours } from './network/neighbours.ts'
import { createSendQueues } from './network/send-queue.ts'
import type { Settings } from './settings.ts'
import type { Catalogue } from './staging/catalogue.ts'
import { checkFolder } from './staging/folder.ts'
import type { Image, ReadyImage } from './staging/image.ts'
import { createImageHistory } from './staging/image-history.ts'
import { openJudgedCatalogue } from './staging/judged-catalogue.ts'
import { createVisitDesk, type VisitDesk } from './visit/visit-desk.ts'

export interface DepotEvents {
  /** Entries that are durable, in the order of the ledger: only now may an ending be shown. */
  entries: [entries: readonly Entry[]]
  /** Something visible changed: an image, a fetch, an address. */
  changed: []
  /** A sentence for the person at the laptop. */
  trouble: [message: string]
}

/** `at` is RFC 3339 UTC. */
export interface Trouble {
  readonly at: string
  readonly message: string
}

export interface Depot {
  readonly settings: Settings
  /** Of this program. */
  readonly version: string
  readonly events: EventEmitter<DepotEvents>
  readonly catalogue: Catalogue
  readonly ledger: Ledger
  readonly delivery: Delivery
  readonly pulls: PullBook
  readonly memory: VersionMemory
  /** The visit sheet against what happens. */
  readonly visit: VisitDesk
  livePulls(): readonly LivePull[]
  /** The latest fetches and refusals that ended, newest last. */
  recentFetches(): readonly FetchRecord[]
  own(): readonly OwnAddress[]
  /** Base URLs of own addresses that are listened on. */
  bases(): readonly Base[]
  /** Told by whoever listens, once. */
  listeningOn(listening: readonly Listening[]): void
  /** What went wrong in this run, newest last. */
  troubles(): readonly Trouble[]
  /** Own addresses that some connection has come to in this run. */
  readonly reached: ReadonlySet<string>
  /** From this machine itself (a rehearsal, our own probes) it says nothing about what a device can reach. */
  connectionSeen(localAddress: string, clientAddress: string): void
  /** A person lifts the hold of an image's present version. Throws FP_IMAGE_UNKNOWN, FP_NOT_HELD. */
  lift(name: string, reason: string, by?: string): void
  /**
   * Takes the checksum that a maker published for an image, pasted by a person. Throws FP_IMAGE_UNKNOWN, and
   * FP_NO_DIGEST when the text holds none.
   */
  paste(name: string, text: string, by?: string): Promise<void>
  /** Ends watching, withdraws what is under way, writes `closed`. Idempotent. */
  close(reason: string): Promise<void>
}

export interface DepotOptions {
  readonly settings: Settings
  /** Of this program, for the ledger. */
  readonly version: string
}

const RECENT_FETCHES = 200
const RECENT_TROUBLES = 50
const ADDRESS_CHECK_MS = 5_000

/** Throws the coded errors of folder, ledger and catalogue; nothing is left open then. */
export async function openDepot({ settings, version }: DepotOptions): Promise<Depot> {
  const checkedFolder = await checkFolder(settings.folder)
  const events = new EventEmitter<DepotEvents>()
  const history = createImageHistory()
  const recent: FetchRecord[] = []
  const pulls = createPullBook({
    fetchDone: (fetch) => {
      recent.push(fetch)
      if (recent.length > RECENT_FETCHES) recent.shift()
    },
    deviceOf: (client) => visit?.nameOf(client) ?? null,
  })
  let visit: VisitDesk | undefined
  const memory = createVersionMemory(pulls.clientKey)
  const visitBefore: Entry[] = []
  const ledger = await openLedger({
    records: settings.records,
    onEntry: (entry) => {
      history.take(entry)
      pulls.take(entry)
      memory.take(entry)
      if (VISIT_KINDS.has(entry.kind)) visitBefore.push(entry)
    },
  })
  try {
    const judged = await openJudgedCatalogue(settings, history)
    const { catalogue } = judged
    const depot = wire()
    await depot.visit.start()
    return depot

    function wire(): Depot {
      const own = createOwnAddresses()
      const neighbours = systemNeighbours()
      const clock = (): number => performance.now()
      const troubles: Trouble[] = []
      let listening: readonly Listening[] = []

      function trouble(message: string): void {
        troubles.push({ at: new Date().toISOString(), message })
        if (troubles.length > RECENT_TROUBLES) troubles.shift()
        events.emit('trouble', message)
        events.emit('changed')
      }

      /** For what must be recorded but cannot be refused to anybody. */
      function record(entry: NewEntry): boolean {
        try {
          history.take(ledger.append(entry))
          return true
        } catch (error) {
          if (!isFetchproofError(error, 'FP_LEDGER_CLOSED')) trouble(messageOf(error))
          return false
        }
      }

      const delivery = createDelivery({
        ledger,
        blocks: createBlockStore({
          cacheBytes: settings.blockCacheBytes,
          openFile: async (name) => imageFileOf(await catalogue.open(name)),
        }),
        limits: settings,
        sendQueues: createSendQueues(),
        macOf: neighbours.lookup,
        clientKey: pulls.clientKey,
        memory,
        clock,
        now: Date.now,
        onFault: readAnew,
        onUnrecorded: (error) => trouble(messageOf(error)),
      })

      const desk = createVisitDesk({
        folder: checkedFolder,
        onlyPlanned: settings.onlyPlanned,
        ...(settings.watchReturn && {
          watchReturn: {
            port: settings.watchReturnPort,
            everyMs: settings.watchReturnEveryMs,
            notBackMs: settings.notBackMs,
          },
        }),
        pulls: pulls.pulls,
        pullOf: pulls.pullOf,
        macOf: pulls.macOf,
        renamed: pulls.renamed,
        fetches: () => recent,
        images: () => catalogue.images().map(imageReference),
        isOwn: (address) => own().some((mine) => mine.address === address),
        record,
        say: trouble,
        changed: () => events.emit('changed'),
      })
      visit = desk
      for (const entry of visitBefore.splice(0)) desk.remember(entry)

      function readAnew(image: ReadyImage, error: unknown): void {
        trouble(messageOf(error))
        const present = catalogue.get(image.name)
        if (present?.version?.sha256 === image.version.sha256) catalogue.reread(image.name)
      }

      function recordImage(image: Image): void {
        for (const entry of history.entriesFor(image)) record(entry)
        events.emit('changed')
      }

      function recordImages(): void {
        for (const image of catalogue.images()) if (image.version !== undefined) recordImage(image)
      }

      catalogue.events.on('changed', () => events.emit('changed'))
      for (const news of ['judged', 'gone'] as const) catalogue.events.on(news, desk.imagesChanged)
      catalogue.events.on('judged', recordImage)
      catalogue.events.on('lost', (image, why) => {
        const sha256 = image.version?.sha256
        delivery.underWay.withdraw(
          (fetch) => fetch.image.name === image.name && fetch.image.sha256 === sha256,
          WHY_WITHDRAWN[why],
        )
      })
      catalogue.events.on('gone', (image) => {
        if (!history.isOnRecord(image.name) || image.version === undefined) return
        record({ kind: 'image-gone', name: image.name, sha256: image.version.sha256 })
        events.emit('changed')
      })
      catalogue.events.on('trouble', trouble)
      recordImages()

      ledger.events.on('synced', (entries) => {
        for (const entry of entries) {
          pulls.take(entry)
          desk.take(entry)
          if (entry.kind === 'fetch-begun' && entry.client.mac === undefined)
            learnNeighbour(entry.client.address)
        }
        events.emit('entries', entries)
        events.emit('changed')
      })
      ledger.events.on('full', () => {
        trouble('The disk that holds the ledger is full: new fetches are refused until there is room again.')
      })
      ledger.events.on('room', () => {
        trouble('There is room for the ledger again: fetches are served.')
        recordImages()
      })
      ledger.events.on('failed', (error) => trouble(error.message))

      const learnt = new Map<string, string>()
      /** The table may know a new neighbour only a moment after its first packet. */
      function learnNeighbour(address: string): void {
        // Behind a router there is no neighbour to learn of, and on loopback none at all.
        if (addressFor(address, own())?.loopback !== false) return
        if (own().some((mine) => mine.address === address)) return
        neighbours.refresh().then(
          () => {
            const mac = neighbours.lookup(address)
            if (mac === undefined || learnt.get(address) === mac) return
            learnt.set(address, mac)
            record({ kind: 'neighbour', address, mac })
          },
          () => undefined,
        )
      }

      let known = referencesOf(own())
      record({
        kind: 'opened',
        version,
        host: hostname(),
        system: `${platform()} ${release()}, Node.js ${process.versions.node}`,
        zoneOffsetMinutes: -new Date().getTimezoneOffset(),
        addresses: known,
        settings: settingsOnRecord(settings),
        ...(settings.folderFile.visit !== undefined && { visit: settings.folderFile.visit }),
      })
      const addressCheck = setInterval(() => {
        const now = referencesOf(own())
        if (JSON.stringify(now) === JSON.stringify(known)) return
        known = now
        record({ kind: 'addresses', addresses: now })
        trouble('The addresses of this machine have changed: lines pasted before may be stale.')
        events.emit('changed')
      }, ADDRESS_CHECK_MS)
      addressCheck.unref()

      const reached = new Set<string>()
      let closing: Promise<void> | undefined

      async function shut(reason: string): Promise<void> {
        clearInterval(addressCheck)
        desk.close()
        delivery.close(reason)
        await judged.close()
        await ledger.close(reason)
      }

      return {
        settings,
        version,
        events,
        catalogue,
        ledger,
        delivery,
        pulls,
        memory,
        visit: desk,
        livePulls: createLivePulls(pulls, delivery.underWay, clock),
        recentFetches: () => recent,
        own,
        bases: () => basesOf(own(), listening),
        listeningOn(now) {
          listening = now
          events.emit('changed')
        },
        troubles: () => troubles,
        reached,
        connectionSeen(localAddress, clientAddress) {
          if (reached.has(localAddress) || own().some(({ address }) => address === clientAddress)) return
          reached.add(localAddress)
          events.emit('changed')
        },
        lift(name, reason, by = userName()) {
          const image = catalogue.get(name)
          const sha256 = image?.version?.sha256
          if (image === undefined) {
            throw new FetchproofError('FP_IMAGE_UNKNOWN', { image: name, folder: settings.folder, hint: '' })
          }
          if (image.state !== 'held' || sha256 === undefined) {
            throw new FetchproofError('FP_NOT_HELD', { image: name, state: image.state })
          }
          // Recorded before it is acted on.
          const entry = { kind: 'lifted', name, sha256, reason, by } as const
          history.take(ledger.append(entry))
          catalogue.lift(name, sha256, { by, reason })
        },
        async paste(name, text, by = userName()) {
          if (catalogue.get(name) === undefined) {
            throw new FetchproofError('FP_IMAGE_UNKNOWN', { image: name, folder: settings.folder, hint: '' })
          }
          const claims = judged.paste(name, text, by)
          if (claims.length === 0) throw new FetchproofError('FP_NO_DIGEST')
          for (const { algorithm, digest } of claims) {
            history.take(ledger.append({ kind: 'published', name, algorithm, digest, by }))
          }
          await catalogue.rejudge(name)
        },
        close(reason) {
          closing ??= shut(reason)
          return closing
        },
      }
    }
  } catch (error) {
    await ledger.close('could not start')
    throw error
  }
}

const WHY_WITHDRAWN = {
  removed: 'the file was removed from the staging folder',
  changed: 'the bytes on disk are not those of this version any more',
  held: 'the image was held',
} as const

/** What the visit remembers of earlier runs. */
const VISIT_KINDS: ReadonlySet<Entry['kind']> = new Set<Entry['kind']>([
  'sheet',
  'observed',
  'device-dark',
  'device-back',
])

/** Before its digest is known an image can be named, not recognised by its digest. */
function imageReference({ name, plainPath, bytes, version }: Image): ImageReference {
  return { name, plainPath, bytes, sha256: version?.sha256 ?? '' }
}

function referencesOf(own: readonly OwnAddress[]): OwnAddressReference[] {
  return own.map(({ address, interface: name }) => ({ address, interface: name }))
}

/** Everything that shapes what is served; folder paths stay on the laptop. */
function settingsOnRecord(settings: Settings): Record<string, unknown> {
  const { folder, records, folderFile, ...rest } = settings
  return rest
}

/** Who is logged in, for what a person did. */
export function userName(): string {
  try {
    return userInfo().username
  } catch {
    return 'unknown'
  }
}

function messageOf(error: unknown): string {
  return error instanceof Error ? error.message : String(error)
}
