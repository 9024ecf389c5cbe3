/**
 * Pulls out of ledger entries alone: what one client did to get one version of one image. The live view, the
 * audit and the report all use this one function, so that they cannot disagree.
 *
 * Rules: a request from byte 0 begins a new pull of its client, unless it is a bounded range disjoint from all
 * that the pull has asked for (a segment). Any other request of the same client and version joins the latest
 * pull. What is covered then is judged in pull-verdict.ts.
 */

import type { ClientRef, Entry, ImageReference } from '../ledger/entries.ts'
import { createPassing } from '../lists-by-key.ts'
import { type Clients, createClients, type LateHardware, type Moment } from './clients.ts'
import { Coverage } from './coverage.ts'
import { createFetchRecords } from './fetches.ts'
import { handedSpan, PullEvidence } from './pull-evidence.ts'
import { handedTwice, judgePull } from './pull-verdict.ts'
import { resumeOffset } from './range-header.ts'
import type { FetchRecord, PullRecord } from './records.ts'

interface PullRecordsOptions {
  /** Called when nothing can join a pull any more; it is then forgotten. Absent: all pulls are kept. */
  readonly retired?: (pull: PullRecord) => void
  /**
   * So many of the latest pulls are kept whatever they are. Of earlier ones only what still decides: of each client and
   * version the latest few, and the latest that came through. Absent: all pulls are kept.
   */
  readonly keepLatest?: number
  /** Called for every fetch that ended and every refusal. */
  readonly fetchDone?: (fetch: FetchRecord) => void
  readonly idPrefix?: string
  /** Name of a client on the visit sheet; `renamed` says that it may be another from now on. */
  readonly deviceOf?: (client: { readonly address: string; readonly mac: string | null }) => string | null
}

export type PullRecords = ReturnType<typeof createPullRecords>

class Pull extends PullEvidence {
  /** Counts the pulls, in the order they began. */
  readonly number: number
  line: Line
  readonly moment: Moment
  /** Its own: another device may come to the same network address later. */
  mac: string | null
  /** The latest that joined without its hardware address, where this pull's was known: it may be another device's. */
  unsure: { readonly client: ClientRef; readonly moment: Moment } | undefined
  /** How far from byte 0 on its own fetches have handed over. */
  reach = 0
  record: PullRecord | undefined

  constructor(number: number, line: Line, fetch: ImageFetch, clients: Clients<Lines>) {
    // Each entry has names and digest anew: those of the pull before are as good.
    super(fetch, sameImage(line.pulls.at(-1)?.image, fetch.image))
    this.number = number
    this.line = line
    this.moment = clients.moment()
    this.mac = clients.macOf(fetch.client)
  }
}

type ImageFetch = FetchRecord & { readonly image: ImageReference }

/** What one client did with one version, over all its pulls. */
interface Line {
  /** Those not retired or folded yet; the latest is always there. */
  pulls: Pull[]
  /** As soon as there are so many of them, it is seen which can be folded. */
  foldAt: number
  /** Fetches under way, in the order they began. */
  open: Open[]
  /** Those that ended while others were under way, in the order they ended. */
  over: Over[]
  /** What those handed over. */
  readonly overBytes: Coverage
  /** Bytes `[0, reach)` that an earlier fetch handed over, or Infinity after a `lost-track`. */
  reach: number
}

/** `began` and `ended` count entries. */
interface Open {
  readonly pull: Pull
  readonly began: number
}
interface Over {
  readonly fetch: FetchRecord
  readonly pull: Pull
  readonly ended: number
}

/** By SHA-256, of one client. */
type Lines = Map<string, Line>

/** Of those that ended, at least; who asks for more of a pull than that asks at once. */
const ENDED_KNOWN = 1_024
/** Pulls of one client and version that are kept, however long ago they began. */
const KEPT_A_LINE = 8
/** More than so many that ended earlier than all that are under way are let go together. */
const PAST_AT_MOST = 64

export function createPullRecords(options: PullRecordsOptions = {}) {
  // Long: all pulls over one set of lines, a function for each thing that an entry may do to them.
  const fetches = createFetchRecords(options.idPrefix)
  const clients = createClients<Lines>(() => new Map(), moveLate)
  // With `retired`, only what is under way stands here, and pulls stand in their lines alone: with a set of them beside,
  // the collector took a third of the time of an audit.
  const open = createPassing<string, Open>()
  let ended: { readonly id: string; readonly pull: Pull }[] = []
  let begunPulls = 0
  let folded = 0
  let entries = 0
  /** What `pulls()` gave out last, until a pull changes: it is asked for many times in between. */
  let given: readonly PullRecord[] | undefined

  function outdate(pull: Pull): void {
    pull.record = undefined
    given = undefined
  }

  function begin(fetch: FetchRecord): void {
    if (!hasImage(fetch) || fetch.rehearsal || fetch.bytesPromised === 0) return
    const lines = clients.of(fetch.client)
    const { sha256 } = fetch.image
    const line = lines.get(sha256) ?? lineWith([], { open: [], over: [], reach: 0 })
    lines.set(sha256, line)
    const latest = line.pulls.at(-1)
    const goesOn = latest !== undefined && joins(latest, fetch)
    const isUnsure = goesOn && latest.mac !== null && fetch.client.mac === undefined
    // What is whole needs nothing more, whoever asks; and what it says to hold may be of another device.
    const isApart = isUnsure && recordOf(latest).state === 'complete'
    const pull = goesOn && !isApart ? latest : newPull(line, fetch)
    if (isUnsure && !isApart) pull.unsure = { client: fetch.client, moment: clients.moment() }
    pull.takeBegun(fetch, isApart ? 0 : line.reach)
    outdate(pull)
    const opened = { pull, began: entries }
    open.set(fetch.id, opened)
    line.open.push(opened)
  }

  function newPull(line: Line, fetch: ImageFetch): Pull {
    begunPulls += 1
    const pull = new Pull(begunPulls, line, fetch, clients)
    line.pulls.push(pull)
    retirePast(line)
    if (line.pulls.length >= line.foldAt) fold(line)
    return pull
  }

  function fold(line: Line): void {
    if (options.keepLatest === undefined) return
    const { pulls } = line
    const early = begunPulls - options.keepLatest
    const kept: Pull[] = []
    let through: PullRecord['state'] = 'incomplete'
    for (let at = pulls.length - 1; at >= 0; at -= 1) {
      const pull = pulls[at]
      if (pull === undefined) continue
      const isLatest = pull.number > early || at >= pulls.length - KEPT_A_LINE
      if (isLatest || pull.underWay > 0) kept.push(pull)
      else if (through !== 'complete') {
        const { state } = recordOf(pull)
        if (state === 'incomplete' || state === through) continue
        through = state
        kept.push(pull)
      }
    }
    line.pulls = kept.reverse()
    folded += pulls.length - kept.length
    line.foldAt = kept.length + Math.max(2 * KEPT_A_LINE, kept.length >> 2)
  }

  function end(fetch: FetchRecord): void {
    const opened = open.take(fetch.id)
    if (opened === undefined) return
    const { pull, began } = opened
    outdate(pull)
    const { line } = pull
    line.open.splice(line.open.indexOf(opened), 1)
    if (fetch.ending === 'headers-only') {
      leave(pull, fetch)
      return
    }
    rememberEnded(fetch.id, pull)
    pull.takeEnded(fetch)
    pull.reach = further(pull.reach, fetch)
    line.reach = further(line.reach, fetch)
    compare(line, fetch, pull, began)
    retirePast(line)
  }

  /** It asked how long the image is, and left it at that. */
  function leave(pull: Pull, { id }: FetchRecord): void {
    const { line } = pull
    pull.fetches.splice(pull.fetches.indexOf(id), 1)
    pull.underWay -= 1
    if (pull.fetches.length > 0) return
    line.pulls = line.pulls.filter((other) => other !== pull)
  }

  /** With what ran beside it: only those that ended after this one began can have, the latest ones. */
  function compare(line: Line, fetch: FetchRecord, pull: Pull, began: number): void {
    const { over, overBytes } = line
    const span = handedSpan(fetch)
    if (overBytes.overlaps(span)) {
      for (let at = over.length - 1; at >= 0; at -= 1) {
        const other = over[at]
        if (other === undefined || other.ended < began) break
        // Nothing more can be learnt of these two: of all that ask for the same bytes at once, each pair would be looked at.
        if (pull.shared && other.pull.shared) continue
        const twice = handedTwice(fetch, other.fetch)
        if (twice === 'no') continue
        for (const each of [pull, other.pull]) markDoubled(each, twice === 'to several')
      }
    }
    if (line.open.length === 0) {
      line.over = []
      line.overBytes.clear()
      return
    }
    over.push({ fetch, pull, ended: entries })
    overBytes.add(span)
    letPastGo(line)
  }

  /** Ended before all began that are under way: nothing will be compared with them any more. */
  function letPastGo(line: Line): void {
    const began = line.open[0]?.began ?? 0
    if ((line.over[PAST_AT_MOST]?.ended ?? began) >= began) return
    line.over = line.over.filter(({ ended }) => ended >= began)
  }

  function rememberEnded(id: string, pull: Pull): void {
    if (options.retired !== undefined) return
    ended.push({ id, pull })
    if (ended.length > 2 * ENDED_KNOWN) ended = ended.slice(-ENDED_KNOWN)
  }

  /** 416 to `bytes=SIZE-`: the client says that it holds the whole image. */
  function statement(refusal: FetchRecord): void {
    if (!hasImage(refusal) || refusal.status !== 416) return
    if (resumeOffset(refusal.range) !== refusal.image.bytes) return
    const pull = clients.find(refusal.client)?.get(refusal.image.sha256)?.pulls.at(-1)
    if (pull === undefined) return
    pull.takeStatement(refusal.image.bytes, pull.line.reach)
    pull.latestSeq = Math.max(pull.latestSeq, refusal.begunSeq)
    outdate(pull)
  }

  function markDoubled(pull: Pull, shared: boolean): void {
    if (pull.doubled && (pull.shared || !shared)) return
    pull.doubled = true
    pull.shared ||= shared
    outdate(pull)
  }

  function markMixed(pull: Pull): void {
    pull.mixed = true
    outdate(pull)
  }

  /** Nothing under way any more that could join an earlier pull or show that its address was shared. */
  function retirePast(line: Line): void {
    if (options.retired === undefined || line.open.length > 0 || line.pulls.length < 2) return
    for (const pull of line.pulls.slice(0, -1)) options.retired(recordOf(pull))
    line.pulls = line.pulls.slice(-1)
  }

  function recordOf(pull: Pull): PullRecord {
    if (pull.record !== undefined) return pull.record
    const { mac, client } = pull
    const { address } = client
    pull.record = judgePull(pull, { mac, device: options.deviceOf?.({ address, mac }) ?? null })
    return pull.record
  }

  /** Pulls of a client whose hardware address was learnt after they began. */
  function moveLate({ mac, isOf }: LateHardware, from: Lines, to: Lines): void {
    for (const [sha256, line] of [...from]) {
      const late = line.pulls.filter(({ client, moment }) => isOf(client, moment))
      const rest = line.pulls.filter((pull) => !late.includes(pull))
      for (const pull of rest)
        if (pull.unsure && isOf(pull.unsure.client, pull.unsure.moment)) markMixed(pull)
      if (late.length === 0) continue
      for (const pull of late) {
        pull.mac = mac
        outdate(pull)
      }
      const taken = rest.length === 0 ? line : partOf(line, late, reachOf(late))
      if (rest.length === 0) from.delete(sha256)
      else from.set(sha256, partOf(line, rest, line.reach))
      const there = to.get(sha256)
      to.set(sha256, there === undefined ? taken : joinLines(there, taken))
    }
  }

  function kept(): Pull[] {
    return [...clients.all()].flatMap((lines) => [...lines.values()].flatMap((line) => line.pulls))
  }

  return {
    /** `seq`: where several ledgers are read together, its place among the entries of all of them. */
    apply(entry: Entry, seq: number = entry.seq): void {
      entries += 1
      clients.apply(entry)
      const fetch = fetches.apply(entry, seq)
      if (fetch === undefined) return
      if (fetch.ending === null) {
        begin(fetch)
        return
      }
      if (fetch.ending === 'refused') statement(fetch)
      else end(fetch)
      options.fetchDone?.(fetch)
    },
    /** All pulls kept, in the order they began; the same array until one of them changes. */
    pulls(): readonly PullRecord[] {
      given ??= kept()
        .sort((a, b) => a.number - b.number)
        .map(recordOf)
      return given
    },
    /** How many earlier ones are not kept any more. */
    folded: (): number => folded,
    /** The pull that a fetch belongs to; with `retired`, only while it or one beside it is under way. */
    pullOf(id: string): PullRecord | undefined {
      const pull = open.get(id)?.pull ?? ended.findLast((each) => each.id === id)?.pull
      return pull && recordOf(pull)
    },
    /** Fetches begun and not ended, in the order they began. */
    fetchesUnderWay: fetches.underWay,
    /** The hardware address of this client, as far as the entries tell. */
    macOf: clients.macOf,
    /** The devices of the visit sheet are others now. */
    renamed(): void {
      for (const pull of kept()) outdate(pull)
    },
  }
}

function sameImage(known: ImageReference | undefined, image: ImageReference): ImageReference {
  const { name, plainPath, bytes } = image
  return known?.name === name && known.plainPath === plainPath && known.bytes === bytes ? known : image
}

function hasImage(fetch: FetchRecord): fetch is ImageFetch {
  return fetch.image !== null
}

/** How far from byte 0 on fetches have handed over. */
function further(reach: number, { ending, first, bytesHandedOver }: FetchRecord): number {
  if (ending === 'lost-track') return Number.POSITIVE_INFINITY
  return first <= reach ? Math.max(reach, first + bytesHandedOver) : reach
}

function reachOf(pulls: readonly Pull[]): number {
  return pulls.reduce((most, { reach }) => Math.max(most, reach), 0)
}

/** From byte 0 only before all that was asked for. */
function joins({ image, lowest }: Pull, { first, bytesPromised }: FetchRecord): boolean {
  return first > 0 || (bytesPromised < image.bytes && lowest >= bytesPromised)
}

/** The later of two lines of one client leads; the evidence of both stays. */
function joinLines(a: Line, b: Line): Line {
  const pulls = [...a.pulls, ...b.pulls].sort((one, other) => one.number - other.number)
  return lineWith(pulls, {
    open: [...a.open, ...b.open].sort((one, other) => one.began - other.began),
    over: [...a.over, ...b.over].sort((one, other) => one.ended - other.ended),
    reach: Math.max(a.reach, b.reach),
  })
}

/** Some pulls of a line as a line of their own. */
function partOf(line: Line, pulls: readonly Pull[], reach: number): Line {
  const own = new Set(pulls)
  return lineWith(pulls, {
    open: line.open.filter(({ pull }) => own.has(pull)),
    over: line.over.filter(({ pull }) => own.has(pull)),
    reach,
  })
}

function lineWith(pulls: readonly Pull[], more: Pick<Line, 'open' | 'over' | 'reach'>): Line {
  const overBytes = new Coverage()
  for (const { fetch } of more.over) overBytes.add(handedSpan(fetch))
  const foldAt = pulls.length + 2 * KEPT_A_LINE
  const line: Line = { pulls: [...pulls], foldAt, overBytes, ...more }
  for (const pull of pulls) pull.line = line
  return line
}
