/**
 * The snapshot of a depot, member by member, each already serialised. A member is made anew only when what it is
 * made from is another object or value than before, so that five hundred images and a thousand pulls cost
 * nothing while one fetch moves.
 */
import { hostname } from 'node:os'
import { PULLS_KEPT } from '../defaults.ts'
import type { LivePull } from '../delivery/live-pulls.ts'
import type { PullRecord } from '../delivery/records.ts'
import type { Depot } from '../depot/depot.ts'
import type { Base } from '../network/bases.ts'
import type { FirewallLine, OpenPort } from '../network/firewall.ts'
import { strikeableWords } from '../wording/decided-words.ts'
import { remainingWords } from '../wording/remaining-words.ts'
import { boardOf } from './board.ts'
import { createLook, RECENT_AT_MOST } from './depot-look.ts'
import { createFirewallView } from './firewall-view.ts'
import { nextSteps } from './next-steps.ts'
import { serveLine } from './serve-line.ts'
import type { PasteLine, ShownImage, Snapshot, SnapshotChange } from './snapshot-shape.ts'

/** About half a megabyte: a page takes that four times a second while a heap of files is read. */
export const IMAGES_AT_MOST = 1_000
const NOT_OFFERED_AT_MOST = 50

export interface SnapshotSources {
  readonly depot: Depot
  /** The lines for this system's firewall, given the ports that are listened on. */
  readonly firewall?: (ports: readonly OpenPort[]) => readonly FirewallLine[]
}

type Member = keyof SnapshotChange

export type Snapshots = ReturnType<typeof createSnapshots>

export function createSnapshots({ depot, firewall: firewallOf = createFirewallView() }: SnapshotSources) {
  // Long: a list of members, each with what it is made from.
  const pullTexts = createPullTexts()
  const look = createLook(depot)
  const { take, changed, json } = createMembers()
  return {
    /** Looks at the depot again; returns the members that are not as they were at the last look. */
    refresh(): readonly Member[] {
      const facts = look()
      const { started, folder, ledgerWritable, images, addresses, visit } = facts
      const { underWay, over, stalls, refusals, fetches } = facts
      const addressText = JSON.stringify(addresses)
      const latest = over.slice(-PULLS_KEPT)
      take('program', [], () => ({
        version: depot.version,
        folder,
        host: hostname(),
        started,
        command: serveLine(depot.settings),
      }))
      take('pasteLines', [], () => pasteLinesOf(depot))
      take('addresses', [addressText], () => addresses)
      const firewall = firewallOf(openPorts(facts.bases))
      take('firewall', [firewall], () => firewall)
      const shown = shownOf(images)
      take('images', shown, () => shown)
      const ready = images.filter(({ state }) => state === 'ready').length
      take('imagesInAll', [images.length, ready], () => ({ known: images.length, ready }))
      const notOffered = depot.catalogue.notOffered()
      take('notOffered', [notOffered], () => notOffered.slice(0, NOT_OFFERED_AT_MOST))
      const unused = depot.unused()
      take('unused', [unused], () => unused.slice(0, NOT_OFFERED_AT_MOST))
      take('underWay', [JSON.stringify(underWay)], () => underWay)
      const fresh = pullTexts.take(latest)
      const pullsOver = over.length + depot.pulls.folded()
      take('pullsOver', [pullsOver], () => pullsOver)
      take('refusals', refusals, () => refusals)
      take('fetches', fetches, () => fetches)
      const recorded = depot.strikeable().slice(-RECENT_AT_MOST).reverse()
      take('recorded', recorded, () =>
        recorded.map((entry) => ({ seq: entry.seq, at: entry.at, text: strikeableWords(entry) })),
      )
      const troubles = depot.troubles().filter(({ stands }) => stands?.() !== false)
      take('troubles', troubles, () => troubles)
      take('wrongPulls', [visit?.wrongPulls], () => visit?.wrongPulls ?? [])
      const boardInput = [visit, over, addressText, ...underWay.map(boardPart)]
      take('board', boardInput, () => boardOf({ ...facts, over: latest }))
      const remaining = depot.visit.remaining(underWay)
      const remainingText = remaining === null ? null : remainingWords(remaining)
      take('remaining', [remainingText], () => remainingText)
      const { entries, sum } = depot.ledger.head
      take('ledger', [entries, sum, ledgerWritable], () => ({ entries, head: sum, writable: ledgerWritable }))
      const hints = depot.visit.hints()
      const stood = [
        addressText,
        firewall,
        hints,
        visit,
        ledgerWritable,
        over,
        idsOf(stalls),
        idsOf(underWay),
      ]
      take('nextSteps', [...stood, ...images, ...troubles, ...refusals], () =>
        nextSteps({ ...facts, firewall, troubles, hints, pulls: [...over, ...underWay] }),
      )
      return fresh ? [...changed(), 'pullsChanged'] : changed()
    },
    /** JSON of what changed, as of the last `refresh`. */
    json: (members: readonly Member[]): string =>
      json(members, members.includes('pullsChanged') ? `"pullsChanged":${pullTexts.fresh()}` : undefined),
    /** JSON of everything. */
    whole: (): string => json(undefined, `"pulls":${pullTexts.all()}`),
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

function idsOf(pulls: readonly PullRecord[]): string {
  return pulls.map(({ fetches }) => fetches.join()).join(' ')
}

/** Of a pull under way, what may change a row of the board. */
function boardPart({ fetches, state, movement, client, addresses, notes }: LivePull): string {
  return JSON.stringify([fetches[0], state, movement === 'stalled', client, addresses, notes])
}

function pasteLinesOf({ settings }: Depot): PasteLine[] {
  const ofFolder = Object.entries(settings.folderFile.paste ?? {}).map(([name, text]) => ({ name, text }))
  return [...settings.paste.map((text) => ({ name: '', text })), ...ofFolder]
}

function openPorts(bases: readonly Base[]): OpenPort[] {
  const ports = bases.map(({ port, door }): [string, OpenPort] => [
    `${port}/${door.name}`,
    { port, transport: door.transport, note: door.firewallNote },
  ])
  return [...new Map(ports).values()]
}

/** All of them, or so many that a page can take: those that need a hand first. */
function shownOf(all: readonly ShownImage[]): readonly ShownImage[] {
  if (all.length <= IMAGES_AT_MOST) return all
  const needHand = (image: ShownImage): boolean => image.state === 'held' || image.state === 'locked'
  const first = [...all.filter(needHand), ...all.filter((image) => !needHand(image))].slice(0, IMAGES_AT_MOST)
  const shown = new Set(first)
  return all.filter((image) => shown.has(image))
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

function sameItems(a: readonly unknown[], b: readonly unknown[]): boolean {
  return a.length === b.length && a.every((item, index) => item === b[index])
}
