/**
 * The snapshot of a depot, member by member, each already serialised. A member is made anew only when what it is
 * made from is another object or value than before, so that five hundred images and a thousand pulls cost
 * nothing while one fetch moves.
 */
import { hostname } from 'node:os'
import { PULLS_KEPT } from '../defaults.ts'
import type { LivePull } from '../delivery/live-pulls.ts'
import type { FetchRecord, PullRecord } from '../delivery/records.ts'
import type { Depot } from '../depot/depot.ts'
import type { Strikeable } from '../ledger/strikes.ts'
import type { Base } from '../network/bases.ts'
import type { FirewallLine, OpenPort } from '../network/firewall.ts'
import { imageView } from '../report/image-view.ts'
import type { Image } from '../staging/image.ts'
import { strikeableWords } from '../wording/decided-words.ts'
import { remainingWords } from '../wording/remaining-words.ts'
import { boardOf } from './board.ts'
import { longStalls } from './device-advice.ts'
import { createFirewallView } from './firewall-view.ts'
import { nextSteps } from './next-steps.ts'
import { serveLine } from './serve-line.ts'
import type {
  AddressView,
  NextStep,
  PasteLine,
  ProgramView,
  RecordedView,
  ShownImage,
  Snapshot,
  SnapshotChange,
  VisitView,
} from './snapshot-shape.ts'

/** About half a megabyte: a page takes that four times a second while a heap of files is read. */
export const IMAGES_AT_MOST = 1_000
const RECENT_AT_MOST = 50
const NOT_OFFERED_AT_MOST = 50

export interface SnapshotSources {
  readonly depot: Depot
  /** RFC 3339 UTC. */
  readonly started: string
  /** The lines for this system's firewall, given the ports that are listened on. */
  readonly firewall?: (ports: readonly OpenPort[]) => readonly FirewallLine[]
  readonly visit?: () => VisitView | null
}

export type Member = keyof SnapshotChange

export type Snapshots = ReturnType<typeof createSnapshots>

export function createSnapshots(sources: SnapshotSources) {
  const { depot } = sources
  const program = programOf(sources)
  const pasteLines = pasteLinesOf(depot)
  const pullTexts = createPullTexts()
  const look = createLook(sources)
  const { take, changed, json } = createMembers()
  return {
    /** Looks at the depot again; returns the members that are not as they were at the last look. */
    refresh(): readonly Member[] {
      const facts = look()
      const { all, over, underWay, visit, refusals, fetches, troubles, addressText } = facts
      const latest = over.slice(-PULLS_KEPT)
      const pullsOver = over.length + depot.pulls.folded()
      const { writable, head } = depot.ledger
      take('program', [], () => program)
      take('pasteLines', [], () => pasteLines)
      take('addresses', [addressText], () => facts.addresses)
      take('firewall', [facts.firewallText], () => facts.firewall)
      const images = shownOf(all)
      take('images', images, () => images)
      take('imagesInAll', all, () => countsOf(all))
      const notOffered = depot.catalogue.notOffered()
      take('notOffered', [notOffered], () => notOffered.slice(0, NOT_OFFERED_AT_MOST))
      const unused = depot.unused()
      take('unused', [unused], () => unused.slice(0, NOT_OFFERED_AT_MOST))
      take('underWay', [JSON.stringify(underWay)], () => underWay)
      const fresh = pullTexts.take(latest)
      take('pullsOver', [pullsOver], () => pullsOver)
      take('refusals', refusals, () => refusals)
      take('fetches', fetches, () => fetches)
      const recorded = depot.strikeable().slice(-RECENT_AT_MOST)
      take('recorded', recorded, () => recorded.map(recordedView).reverse())
      take('troubles', troubles, () => troubles)
      take('wrongPulls', [visit?.wrongPulls], () => visit?.wrongPulls ?? [])
      const own = depot.own().filter(({ offerable }) => offerable)
      const boardInput = [visit, over, addressText, ...underWay.map(boardPart)]
      take('board', boardInput, () => boardOf({ visit, underWay, over: latest, own }))
      const remaining = depot.visit.remaining(underWay)
      const remainingText = remaining === null ? null : remainingWords(remaining)
      take('remaining', [remainingText], () => remainingText)
      const { entries, sum } = head
      take('ledger', [entries, sum, writable], () => ({ entries, head: sum, writable }))
      take('nextSteps', stepInput(facts, writable), () => stepsOf(sources, facts, writable))
      return fresh ? [...changed(), 'pullsChanged'] : changed()
    },
    /** JSON of what changed, as of the last `refresh`. */
    json: (members: readonly Member[]): string =>
      json(members, members.includes('pullsChanged') ? `"pullsChanged":${pullTexts.fresh()}` : undefined),
    /** JSON of everything. */
    whole: (): string => json(undefined, `"pulls":${pullTexts.all()}`),
  }
}

/** What members are made from. */
type Facts = ReturnType<ReturnType<typeof createLook>>

function createLook({ depot, visit, firewall: firewallOf = createFirewallView() }: SnapshotSources) {
  const imageViews = createImageViews()
  const pullViews = createPullViews(depot)
  return () => {
    const bases = depot.bases()
    const addresses = addressesOf(depot, bases)
    const firewall = firewallOf(openPorts(bases))
    const pulls = pullViews()
    return {
      ...pulls,
      ...recentOf(depot.recentFetches()),
      addresses,
      addressText: JSON.stringify(addresses),
      firewall,
      firewallText: JSON.stringify(firewall),
      all: imageViews(depot.catalogue.images(), bases),
      troubles: depot.troubles().filter(({ stands }) => stands?.() !== false),
      visit: visit?.() ?? null,
      hints: depot.visit.hints(),
      stalls: longStalls(pulls.underWay, Date.now()),
    }
  }
}

/** JSON of each member; one is made anew only when its input is not, piece by piece, what it was last made from. */
function createMembers() {
  const texts = new Map<Member, string>()
  const inputs = new Map<Member, readonly unknown[]>()
  let fresh: Member[] = []

  return {
    take<M extends keyof Snapshot>(member: M, input: readonly unknown[], make: () => Snapshot[M]): void {
      const last = inputs.get(member)
      if (last !== undefined && sameItems(last, input)) return
      inputs.set(member, [...input])
      const text = JSON.stringify(make())
      if (texts.get(member) === text) return
      texts.set(member, text)
      fresh.push(member)
    },
    /** Those that became others since it was last asked. */
    changed(): readonly Member[] {
      const changed = fresh
      fresh = []
      return changed
    },
    /** JSON of these members as one object, or of all, and of pulls, which are not taken here. */
    json(members: readonly Member[] = [...texts.keys()], pulls: string | undefined): string {
      const known = members.filter((member) => texts.has(member))
      const parts = known.map((member) => `${JSON.stringify(member)}:${texts.get(member)}`)
      return `{${(pulls === undefined ? parts : [...parts, pulls]).join()}}`
    },
  }
}

function stepInput(facts: Facts, writable: boolean): readonly unknown[] {
  const idsOf = (pulls: readonly PullRecord[]): string => pulls.map(({ fetches }) => fetches.join()).join(' ')
  const { stalls, addressText, firewallText, visit, hints, underWay, over } = facts
  const { all, troubles, refusals } = facts
  return [
    ...[idsOf(stalls), addressText, firewallText, visit, hints, writable, idsOf(underWay), over],
    ...all,
    ...troubles,
    ...refusals,
  ]
}

function stepsOf({ depot, started }: SnapshotSources, facts: Facts, ledgerWritable: boolean): NextStep[] {
  const { all, over, underWay, ...known } = facts
  const { folder } = depot.settings
  return nextSteps({ ...known, folder, images: all, ledgerWritable, pulls: [...over, ...underWay], started })
}

/** Of a pull under way, what may change a row of the board. */
function boardPart({ fetches, state, movement, client, addresses, notes }: LivePull): string {
  return JSON.stringify([fetches[0], state, movement === 'stalled', client, addresses, notes])
}

function programOf({ depot, started }: SnapshotSources): ProgramView {
  const { version, settings } = depot
  const command = serveLine(settings)
  return { version, folder: settings.folder, host: hostname(), started, command }
}

function pasteLinesOf({ settings }: Depot): PasteLine[] {
  const ofFolder = Object.entries(settings.folderFile.paste ?? {}).map(([name, text]) => ({ name, text }))
  return [...settings.paste.map((text) => ({ name: '', text })), ...ofFolder]
}

export function addressesOf(depot: Depot, bases: readonly Base[]): AddressView[] {
  return depot.own().map((own) => ({
    address: own.address,
    interface: own.interface,
    cidr: own.cidr,
    tunnel: own.tunnel,
    linkLocal: own.linkLocal,
    offerable: own.offerable,
    reached: depot.reached.has(own.address),
    urls: bases
      .filter((base) => base.own.address === own.address)
      .map(({ url, port, door }) => ({ url, port, door: door.name, lines: door.lines(port) })),
  }))
}

function openPorts(bases: readonly Base[]): OpenPort[] {
  const ports = bases.map(({ port, door }): [string, OpenPort] => [
    `${port}/${door.name}`,
    { port, transport: door.transport, note: door.firewallNote },
  ])
  return [...new Map(ports).values()]
}

/** Images are frozen and replaced when they change: one view each, until the base URLs change. */
export function createImageViews(): (
  images: readonly Image[],
  bases: readonly Base[],
) => readonly ShownImage[] {
  let basesText = ''
  let views = new WeakMap<Image, ShownImage>()
  return (images, bases) => {
    const text = bases.map((base) => base.url).join(' ')
    if (text !== basesText) {
      basesText = text
      views = new WeakMap()
    }
    return images.map((image) => {
      const known = views.get(image)
      if (known !== undefined) return known
      const { md5 = null, ...more } = image.version?.more ?? {}
      const crc32 = image.version?.crc32
      const digests = { ...more, ...(crc32 !== undefined && { crc32 }) }
      const view = { ...imageView(image, bases), md5, digests }
      views.set(image, view)
      return view
    })
  }
}

/** All of them, or so many that a page can take: those that need a hand first. */
function shownOf(all: readonly ShownImage[]): readonly ShownImage[] {
  if (all.length <= IMAGES_AT_MOST) return all
  const needHand = (image: ShownImage): boolean => image.state === 'held' || image.state === 'locked'
  const first = [...all.filter(needHand), ...all.filter((image) => !needHand(image))].slice(0, IMAGES_AT_MOST)
  const shown = new Set(first)
  return all.filter((image) => shown.has(image))
}

function countsOf(all: readonly ShownImage[]): Snapshot['imagesInAll'] {
  return { known: all.length, ready: all.filter((image) => image.state === 'ready').length }
}

/** What is over comes from the pulls themselves. The same array as before until a pull begins, ends or changes. */
export function createPullViews(
  depot: Depot,
): () => { underWay: readonly LivePull[]; over: readonly PullRecord[] } {
  let last: { records: readonly PullRecord[]; busy: string; over: readonly PullRecord[] } | undefined
  return () => {
    const records = depot.pulls.pulls()
    const underWay = depot.livePulls()
    const first = underWay.map((pull) => pull.fetches[0])
    const busy = first.join()
    if (last?.records !== records || last.busy !== busy) {
      const running = new Set(first)
      last = { records, busy, over: records.filter((pull) => !running.has(pull.fetches[0])) }
    }
    return { underWay, over: last.over }
  }
}

/**
 * The latest pulls that are over, newest first. A record is replaced when its pull changes: each is written once, and of a
 * thousand only those are told that were not told yet.
 */
function createPullTexts() {
  const texts = new WeakMap<PullRecord, string>()
  let latest: readonly PullRecord[] = []
  let fresh: readonly PullRecord[] = []

  function textOf(pull: PullRecord): string {
    const text = texts.get(pull) ?? JSON.stringify(pull)
    texts.set(pull, text)
    return text
  }
  const listOf = (pulls: readonly PullRecord[]): string => `[${pulls.map(textOf).reverse().join()}]`

  return {
    /** Whether some of these are others than were there before. */
    take(now: readonly PullRecord[]): boolean {
      const before = new Set(latest)
      fresh = now.filter((pull) => !before.has(pull))
      latest = now
      return fresh.length > 0
    },
    fresh: (): string => listOf(fresh),
    all: (): string => listOf(latest),
  }
}

export function recentOf(recent: readonly FetchRecord[]): {
  refusals: FetchRecord[]
  fetches: FetchRecord[]
} {
  const newest = [...recent].reverse()
  return {
    refusals: newest.filter((fetch) => fetch.ending === 'refused').slice(0, RECENT_AT_MOST),
    fetches: newest.filter((fetch) => fetch.ending !== 'refused').slice(0, RECENT_AT_MOST),
  }
}

function recordedView(entry: Strikeable): RecordedView {
  return { seq: entry.seq, at: entry.at, text: strikeableWords(entry) }
}

function sameItems(a: readonly unknown[], b: readonly unknown[]): boolean {
  return a.length === b.length && a.every((item, index) => item === b[index])
}
