/**
 * The running whole without any HTTP: catalogue, ledger, delivery and pulls wired together. Building it starts
 * watching; whoever listens and prints stands above.
 */
import { EventEmitter } from 'node:events'
import { hostname, platform, release } from 'node:os'
import { createBlockStore } from '../delivery/blocks.ts'
import { createDelivery, type Delivery } from '../delivery/delivery.ts'
import { createLivePulls } from '../delivery/live-pulls.ts'
import type { FetchRecord } from '../delivery/records.ts'
import { FetchproofError, isFetchproofError, messageOf, systemCode } from '../errors.ts'
import { checkFolder } from '../files/folder.ts'
import { freeBytes } from '../files/free-bytes.ts'
import { createWriterOf } from '../files/open-writers.ts'
import type { Entry, NewEntry, OwnAddressReference } from '../ledger/entries.ts'
import { type Ledger, openLedger } from '../ledger/ledger.ts'
import type { OwnAddress } from '../network/addresses.ts'
import { type Base, basesOf, type Listening } from '../network/bases.ts'
import { createNeighbourLearning, createNeighbours } from '../network/neighbours.ts'
import { createOwnAddresses, watchAddresses } from '../network/own-addresses.ts'
import { createSendQueues, type SendQueues } from '../network/send-queue.ts'
import type { Settings } from '../settings.ts'
import { referenceOf } from '../staging/image.ts'
import type { Matched } from '../trust/matching/match-finding.ts'
import { matchInCatalogue } from '../trust/matching/printed-text.ts'
import { createLiveVisit, type LiveVisit } from '../visit/live-visit.ts'
import type { DeviceMatched } from '../visit/match-on-plan.ts'
import { createAdmission } from './admission.ts'
import { createDerived, type Derived } from './derived.ts'
import { createImageRecords, type ImageRecords } from './image-records.ts'
import { type JudgedCatalogue, openJudgedCatalogue } from './judged-catalogue.ts'
import { createRehearsals } from './rehearsals.ts'

interface DepotEvents {
  /** Entries that are durable, in the order of the ledger: only now may an ending be shown. */
  entries: [entries: readonly Entry[]]
  /** Something visible changed: an image, a fetch, an address. */
  changed: []
  /** A sentence for the person at the laptop. */
  trouble: [message: string]
}

/** `at` is RFC 3339 UTC. */
interface Trouble {
  readonly at: string
  readonly message: string
  /** Whether what it says is still so; absent: it happened. */
  readonly stands?: (() => boolean) | undefined
}

export type Depot = ReturnType<typeof wire>

interface DepotOptions {
  readonly settings: Settings
  /** Of this program, for the ledger. */
  readonly version: string
  readonly sendQueues?: SendQueues
  /** Told of the run's entries from the first one on; those who listen later miss what was durable before. */
  readonly onEntries?: (entries: readonly Entry[]) => void
}

const RECENT_TROUBLES = 50

/** Throws the coded errors of folder, ledger and catalogue; nothing is left open then. */
export async function openDepot(options: DepotOptions): Promise<Depot> {
  const { settings, onEntries } = options
  const folder = await checkFolder(settings.folder)
  // Names come with the visit, which comes later.
  let nameOf: LiveVisit['nameOf'] = () => null
  const derived = createDerived((client) => nameOf(client))
  const ledger = await openLedger({
    records: settings.records,
    onEntry(entry) {
      derived.ahead.apply(entry)
      derived.apply(entry)
    },
  })
  ledger.events.on('written', derived.ahead.apply)
  try {
    const judged = await openJudgedCatalogue(settings, derived.ahead.history)
    const depot = wire(options, { folder, derived, ledger, judged })
    nameOf = depot.visit.nameOf
    if (onEntries !== undefined) depot.events.on('entries', onEntries)
    await depot.visit.start()
    return depot
  } catch (error) {
    await ledger.close('could not start')
    throw error
  }
}

/** Why the ledger takes nothing is said once, by its own events, and not for each entry that it does not take. */
function createUnrecorded(say: (message: string) => void) {
  let count = 0

  function because(error: unknown): void {
    if (!isFetchproofError(error) || !SAID_BY_THE_LEDGER.has(error.code)) say(messageOf(error))
  }
  return {
    because,
    /** A refusal or an ending. */
    fetch(error: unknown): void {
      count += 1
      because(error)
    },
    /** How many of those there were since it was last asked. */
    fetches(): number {
      const counted = count
      count = 0
      return counted
    },
  }
}

/** The last one when all is over: who is refused then came too late for the record. */
const SAID_BY_THE_LEDGER: ReadonlySet<string> = new Set([
  'FP_LEDGER_FULL',
  'FP_LEDGER_UNWRITABLE',
  'FP_LEDGER_CLOSED',
])

/** What the parts of the running whole have in common. */
type Common = ReturnType<typeof commonOf>

function commonOf({ settings, version }: DepotOptions, { derived, ledger, judged: { catalogue } }: Opened) {
  const events = new EventEmitter<DepotEvents>()
  const troubles: Trouble[] = []
  const changed = (): void => void events.emit('changed')

  function say(message: string, stands?: () => boolean): void {
    troubles.push({ at: new Date().toISOString(), message, stands })
    if (troubles.length > RECENT_TROUBLES) troubles.shift()
    events.emit('trouble', message)
    changed()
  }

  const unrecorded = createUnrecorded(say)

  /** For what must be recorded but cannot be refused to anybody: false, and said, when it could not be. */
  function record(entry: NewEntry): boolean {
    try {
      ledger.append(entry)
      return true
    } catch (error) {
      unrecorded.because(error)
      return false
    }
  }

  const own = createOwnAddresses()
  const neighbours = createNeighbours()
  return {
    settings,
    version,
    derived,
    ledger,
    catalogue,
    events,
    own,
    neighbours,
    troubles,
    record,
    unrecorded,
    changed,
    say,
  }
}

interface Opened {
  readonly folder: string
  readonly derived: Derived
  readonly ledger: Ledger
  readonly judged: JudgedCatalogue
}

function wire(options: DepotOptions, opened: Opened) {
  // Long: the wiring, a line or two a part.
  const { folder, derived, ledger, judged } = opened
  const { sendQueues = createSendQueues() } = options
  const common = commonOf(options, opened)
  const { settings, version, catalogue, events, own, troubles, record, changed, say } = common
  const clock = (): number => performance.now()
  const reached = new Set<string>()
  let listening: readonly Listening[] = []
  let closing: Promise<void> | undefined
  const lostTrack = [...derived.lost]
  const visit = wireVisit(common, folder)
  const delivery = wireDelivery(common, visit, sendQueues, clock)
  const images = createImageRecords({
    judged,
    history: derived.ahead.history,
    strikes: derived.ahead.strikes,
    record,
    append: (entry) => ledger.append(entry),
    folder: settings.folder,
  })
  followCatalogue(common, delivery, visit)
  followLedger(common, visit, images)
  record(openedEntry(settings, version, own()))
  const addressWatch = watchAddresses(own, (now) => {
    record({ kind: 'addresses', addresses: referencesOf(now) })
    say('The addresses of this machine have changed: lines pasted before may be stale.')
  })

  async function shut(reason: string): Promise<void> {
    addressWatch.close()
    visit.close()
    delivery.close(reason)
    await judged.close()
    await ledger.close(reason)
  }

  return {
    settings,
    /** Of this program. */
    version,
    events,
    catalogue,
    /** What checksum texts say and was used for no image; the same array until that changes. */
    unused: judged.unused,
    ledger,
    delivery,
    rehearsals: createRehearsals(own),
    /** Who may have what. */
    admission: createAdmission({
      settings,
      own,
      find: catalogue.find,
      images: catalogue.images,
      visit,
      partOf: derived.ahead.parts.of,
      writable: () => ledger.writable,
    }),
    pulls: derived.pulls,
    /** The visit sheet against what happens. */
    visit,
    /** Those with something under way. */
    livePulls: createLivePulls(derived.pulls, delivery.underWay, clock),
    /** Fetches that were under way when the server before this one ended without closing its ledger. */
    lostTrack,
    /** The latest fetches and refusals that ended, newest last. */
    recentFetches: (): readonly FetchRecord[] => derived.recent,
    own,
    /** Base URLs of own addresses that are listened on. */
    bases: (): readonly Base[] => basesOf(own(), listening),
    /** The same for loopback: for trying things out on this machine. */
    loopbackBases: (): readonly Base[] => basesOf(own(), listening, 'loopback'),
    /** Told by whoever listens, once. */
    listeningOn(now: readonly Listening[]): void {
      listening = now
      changed()
    },
    /** A sentence for the person at the laptop, from whoever listens. */
    say,
    /** What went wrong in this run, newest last. */
    troubles: (): readonly Trouble[] => troubles,
    /** Own addresses that some connection has come to in this run. */
    reached,
    /** From this machine itself (a rehearsal, our own probes) it says nothing about what a device can reach. */
    connectionSeen(localAddress: string, clientAddress: string): void {
      if (reached.has(localAddress) || own().some(({ address }) => address === clientAddress)) return
      reached.add(localAddress)
      changed()
    },
    hold: images.hold,
    lift: images.lift,
    paste: images.paste,
    strike: images.strike,
    /** Which images the digests in a device's output belong to; with a device, whether they are what is planned for it. */
    async match(text: string, device?: string): Promise<Matched | DeviceMatched> {
      const matched = await matchInCatalogue(text, catalogue)
      return device === undefined ? matched : visit.matched(matched, device, catalogue.images())
    },
    /** What a person recorded here and may take back, in the ledger's order. */
    strikeable: derived.ahead.strikes.strikeable,
    /** Ends watching, withdraws what is under way, writes `closed`. Idempotent. */
    close(reason: string): Promise<void> {
      closing ??= shut(reason)
      return closing
    },
  }
}

function wireDelivery(
  common: Common,
  visit: LiveVisit,
  sendQueues: SendQueues,
  clock: () => number,
): Delivery {
  const { settings, derived, ledger, catalogue, neighbours, unrecorded, say } = common
  return createDelivery({
    ledger,
    blocks: createBlockStore({
      cacheBytes: settings.blockCacheBytes,
      openFile: catalogue.openAgain,
    }),
    limits: settings,
    sendQueues,
    macOf: neighbours.lookup,
    parts: derived.ahead.parts,
    isPlanned: (client) =>
      visit.nameOf({ address: client.address, mac: derived.ahead.parts.macOf(client) }) !== null,
    freeBytes: () => freeBytes(settings.records),
    stillReady({ name, version }) {
      const present = catalogue.get(name)
      return present?.state === 'ready' && present.version?.sha256 === version.sha256
    },
    clock,
    onFault(image, error) {
      say(messageOf(error))
      // The system has no more files, or memory, for us: that says nothing about the image.
      if (error instanceof FetchproofError && PASSING.has(systemCode(error.cause) ?? '')) return
      const present = catalogue.get(image.name)
      if (present?.version?.sha256 === image.version.sha256) catalogue.reread(image.name)
    },
    onUnrecorded: unrecorded.fetch,
  })
}

function wireVisit(common: Common, folder: string): LiveVisit {
  const { settings, derived, catalogue, own, record, changed, say } = common
  const { pulls, recent, evidence, ahead } = derived
  return createLiveVisit({
    folder,
    onlyPlanned: settings.onlyPlanned,
    settle: settings,
    writerOf: createWriterOf(),
    ...(settings.watchReturn && {
      watchReturn: {
        port: settings.watchReturnPort,
        everyMs: settings.watchReturnEveryMs,
        notBackMs: settings.notBackMs,
      },
    }),
    pulls,
    fetches: () => recent,
    evidence,
    sheetOnRecord: ahead.sheetOnRecord,
    images: () => catalogue.images().map(referenceOf),
    linkMbps: settings.folderFile.linkMbps,
    now: Date.now,
    isOwn: (address) => own().some((mine) => mine.address === address),
    record,
    say,
    changed,
  })
}

function followCatalogue({ catalogue, changed, say }: Common, delivery: Delivery, visit: LiveVisit): void {
  for (const event of ['judged', 'gone'] as const) catalogue.events.on(event, visit.imagesChanged)
  for (const event of ['changed', 'notOffered', 'judged', 'gone'] as const) {
    catalogue.events.on(event, changed)
  }
  catalogue.events.on('trouble', say)
  catalogue.events.on('lost', (image, why) => {
    const sha256 = image.version?.sha256
    // What was handed over whole was verified: a file that changes afterwards takes nothing back. A hold does.
    delivery.underWay.withdraw(
      ({ image: { name, sha256: begun }, fetch }) =>
        name === image.name && begun === sha256 && (why === 'held' || fetch.sending),
      WHY_WITHDRAWN[why],
    )
  })
}

function followLedger(common: Common, visit: LiveVisit, images: ImageRecords): void {
  const { derived, ledger, events, own, neighbours, record, unrecorded, changed, say } = common
  const learnNeighbour = createNeighbourLearning({
    neighbours,
    own,
    known: (address) => derived.ahead.parts.macOf({ address }),
    onLearnt: (address, mac) => record({ kind: 'neighbour', address, mac }),
  })
  ledger.events.on('synced', (entries) => {
    for (const entry of entries) {
      derived.apply(entry)
      visit.apply(entry)
      if (entry.kind === 'fetch-begun' && entry.client.mac === undefined) learnNeighbour(entry.client.address)
    }
    events.emit('entries', entries)
    changed()
  })
  ledger.events.on('full', () => say(FULL, () => !ledger.writable))
  ledger.events.on('room', () => {
    // What images are is written now; what was refused meanwhile is lost.
    const fetches = unrecorded.fetches()
    const lost = fetches === 0 ? '' : ` Not recorded meanwhile: ${fetches} refusals or endings.`
    say(`There is room for the ledger again: fetches are served.${lost}`)
    images.recordAll()
  })
  ledger.events.on('failed', (error) => say(error.message))
}

const FULL = 'The disk that holds the ledger is full: new fetches are refused until there is room again.'

const WHY_WITHDRAWN = {
  removed: 'the file was removed from the staging folder',
  changed: 'the bytes on disk are not those of this version any more',
  held: 'the image was held',
} as const

const PASSING: ReadonlySet<string> = new Set(['EMFILE', 'ENFILE', 'ENOMEM'])

function referencesOf(own: readonly OwnAddress[]): OwnAddressReference[] {
  return own.map(({ address, interface: name }) => ({ address, interface: name }))
}

function openedEntry(settings: Settings, version: string, own: readonly OwnAddress[]): NewEntry {
  // Everything that shapes what is served; folder paths stay on the laptop.
  const { folder, records, folderFile, ...onRecord } = settings
  return {
    kind: 'opened',
    version,
    host: hostname(),
    system: `${platform()} ${release()}, Node.js ${process.versions.node}`,
    zoneOffsetMinutes: -new Date().getTimezoneOffset(),
    addresses: referencesOf(own),
    settings: onRecord,
    visit: folderFile.visit,
  }
}
