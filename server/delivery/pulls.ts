/**
 * Pulls out of ledger entries alone: what one client did to get one version of one image. The live view, the
 * audit and the report all use this one function, so that they cannot disagree.
 *
 * Rules: a request from byte 0 begins a new pull of its client, unless it is a bounded range disjoint from all
 * that the pull has asked for (a segment). Any other request of the same client and version joins the latest
 * pull. What is covered then is judged in verdict.ts.
 */
import type { ClientRef, Entry } from '../ledger/entries.ts'
import { overlap } from './coverage.ts'
import { createFetchBook } from './fetches.ts'
import { resumeOffset } from './ranges.ts'
import type { FetchRecord, PullRecord } from './records.ts'
import { handedTwice, judgePull, type PullEvidence, promisedSpan } from './verdict.ts'

export interface PullBookOptions {
  /** Called when nothing can join a pull any more; it is then forgotten. Absent: all pulls are kept. */
  readonly retired?: (pull: PullRecord) => void
  /** Called for every fetch that ended and every refusal. */
  readonly fetchDone?: (fetch: FetchRecord) => void
  readonly idPrefix?: string
  /** Name of a client on the visit sheet; `renamed` says that it may be another from now on. */
  readonly deviceOf?: (client: { readonly address: string; readonly mac: string | null }) => string | null
}

export interface PullBook {
  /** `seq`: where several ledgers are read together, its place among the entries of all of them. */
  take(entry: Entry, seq?: number): void
  /** All pulls kept, in the order they began; the same array until one of them changes. */
  pulls(): readonly PullRecord[]
  /** The pull that a fetch belongs to; with `retired`, only while it or one beside it is under way. */
  pullOf(fetchId: string): PullRecord | undefined
  /** Fetches begun and not ended, in the order they began. */
  fetchesUnderWay(): readonly FetchRecord[]
  /** The identity that fetches of this client are gathered under: hardware address where known, else address. */
  clientKey(client: ClientRef): string
  /** The hardware address of this client, as far as the entries tell. */
  macOf(client: ClientRef): string | null
  /** The devices of the visit sheet are others now. */
  renamed(): void
}

interface Pull extends PullEvidence {
  /** Counts the pulls, in the order they began. */
  readonly number: number
  line: Line
  readonly client: ClientRef
  /** Its own: another device may come to the same network address later. */
  mac: string | null
  record: PullRecord | undefined
}

/** What one client did with one version, over all its pulls. */
interface Line {
  latest: Pull | undefined
  /** Those not retired yet, the latest included. */
  pulls: Pull[]
  /** Fetches under way, with the count of entries when they began. */
  open: Map<string, number>
  /** Those that ended while others were under way, in the order they ended, with the count of entries then. */
  over: { readonly fetch: FetchRecord; readonly ended: number }[]
  /** Bytes `[0, reach)` that an earlier fetch handed over, or Infinity after a `lost-track`. */
  reach: number
}

/** Between the first packets of a device and its place in the system's neighbour table, asked for at once. */
const LEARNT_WITHIN_MS = 20_000

/** After so long without an entry a run may be at another site, where another device has the network address. */
const ANOTHER_SITE_MS = 60 * 60_000

export function createPullBook(options: PullBookOptions = {}): PullBook {
  const fetches = createFetchBook(options.idPrefix)
  const macs = new Map<string, string>()
  const lines = new Map<string, Line>()
  // Of a Map that many entries pass through, each table that was outgrown keeps what it held last alive for the
  // collector of young objects. So with `retired`, only what is under way stands here, and pulls stand in their lines
  // alone: with a set of them beside, the collector took a third of the time of an audit.
  const pullOfFetch = new Map<string, Pull>()
  let begunPulls = 0
  let entries = 0
  /** When the latest entry was written; read as a time only where that matters, since there may be a million. */
  let latestAt = ''
  /** What `pulls()` gave out last, until a pull changes: it is asked for many times in between. */
  let given: readonly PullRecord[] | undefined

  const clientKey = (client: ClientRef): string => client.mac ?? macs.get(client.address) ?? client.address
  const macOf = (client: ClientRef): string | null => client.mac ?? macs.get(client.address) ?? null
  const lineKey = (client: string, sha256: string): string => `${client} ${sha256}`

  function lineOf(fetch: FetchRecord & { image: NonNullable<FetchRecord['image']> }): Line {
    const key = lineKey(clientKey(fetch.client), fetch.image.sha256)
    const known = lines.get(key)
    if (known !== undefined) return known
    const fresh: Line = { latest: undefined, pulls: [], open: new Map(), over: [], reach: 0 }
    lines.set(key, fresh)
    return fresh
  }

  function outdate(pull: Pull): void {
    pull.record = undefined
    given = undefined
  }

  function begin(fetch: FetchRecord): void {
    if (!hasImage(fetch) || fetch.rehearsal || fetch.bytesPromised === 0) return
    const { address, mac } = fetch.client
    if (mac !== undefined) learn(address, mac, fetch.begun)
    const line = lineOf(fetch)
    const latest = line.latest
    const pull = latest !== undefined && joins(latest, fetch) ? latest : newPull(line, fetch)
    pull.fetches.set(fetch.id, fetch)
    const offset = resumeOffset(fetch.range)
    // Answered with the whole image, a client drops what it holds: nothing was stated.
    if (offset !== undefined && fetch.status === 206 && fetch.first === offset) takeStatement(pull, offset)
    outdate(pull)
    pullOfFetch.set(fetch.id, pull)
    line.open.set(fetch.id, entries)
  }

  /**
   * `bytes=K-` says that the client holds `[0,K)`. It counts when an earlier fetch of this version had handed over at
   * least K bytes by then, or was lost track of.
   */
  function takeStatement(pull: Pull, offset: number): void {
    if (offset <= pull.line.reach) pull.stated.push({ first: 0, end: offset })
  }

  function newPull(line: Line, fetch: FetchRecord & { image: NonNullable<FetchRecord['image']> }): Pull {
    begunPulls += 1
    const pull: Pull = {
      number: begunPulls,
      line,
      client: fetch.client,
      mac: macOf(fetch.client),
      image: fetch.image,
      fetches: new Map(),
      stated: [],
      statedSeq: 0,
      shared: false,
      doubled: false,
      record: undefined,
    }
    line.latest = pull
    line.pulls.push(pull)
    retirePast(line)
    return pull
  }

  function end(fetch: FetchRecord): void {
    const pull = pullOfFetch.get(fetch.id)
    if (pull === undefined) return
    pull.fetches.set(fetch.id, fetch)
    outdate(pull)
    const { line } = pull
    // It asked how long the image is, and left it at that.
    if (fetch.ending === 'headers-only') {
      leave(pull, fetch.id)
      return
    }
    const begun = line.open.get(fetch.id) ?? 0
    line.open.delete(fetch.id)
    // Only those that ended after this one began can have run beside it: the latest ones.
    for (let at = line.over.length - 1; at >= 0; at -= 1) {
      const other = line.over[at]
      if (other === undefined || other.ended < begun) break
      const twice = handedTwice(fetch, other.fetch)
      if (twice === 'no') continue
      for (const id of [fetch.id, other.fetch.id]) markDoubled(pullOfFetch.get(id), twice === 'to several')
    }
    line.over.push({ fetch, ended: entries })
    if (line.open.size === 0) {
      if (options.retired !== undefined) for (const { fetch: over } of line.over) pullOfFetch.delete(over.id)
      line.over = []
    }
    line.reach = further(line.reach, fetch)
    retirePast(line)
  }

  function leave(pull: Pull, fetchId: string): void {
    const { line } = pull
    pull.fetches.delete(fetchId)
    pullOfFetch.delete(fetchId)
    line.open.delete(fetchId)
    if (pull.fetches.size > 0) return
    line.pulls = line.pulls.filter((other) => other !== pull)
    line.latest = line.pulls.at(-1)
  }

  /** 416 to `bytes=SIZE-`: the client says that it holds the whole image. */
  function statement(refusal: FetchRecord): void {
    if (!hasImage(refusal) || refusal.status !== 416) return
    if (resumeOffset(refusal.range) !== refusal.image.bytes) return
    const pull = lines.get(lineKey(clientKey(refusal.client), refusal.image.sha256))?.latest
    if (pull === undefined) return
    takeStatement(pull, refusal.image.bytes)
    pull.statedSeq = refusal.begunSeq
    outdate(pull)
  }

  function markDoubled(pull: Pull | undefined, shared: boolean): void {
    if (pull === undefined) return
    pull.doubled = true
    pull.shared ||= shared
    outdate(pull)
  }

  /** Nothing under way any more that could join an earlier pull or show that its address was shared. */
  function retirePast(line: Line): void {
    if (options.retired === undefined || line.open.size > 0) return
    if (line.pulls.length < 2) return
    for (const pull of line.pulls) if (pull !== line.latest) options.retired(recordOf(pull))
    line.pulls = line.latest === undefined ? [] : [line.latest]
  }

  function recordOf(pull: Pull): PullRecord {
    if (pull.record !== undefined) return pull.record
    const { mac, client } = pull
    const { address } = client
    pull.record = judgePull(pull, { mac, device: options.deviceOf?.({ address, mac }) ?? null })
    return pull.record
  }

  /**
   * A hardware address learnt late is that of what its network address began shortly before, and of nothing earlier:
   * on a bench one device after the other has the same network address.
   */
  function learn(address: string, mac: string, at: string): void {
    if (macs.get(address) === mac) return
    macs.set(address, mac)
    const since = Date.parse(at) - LEARNT_WITHIN_MS
    for (const [key, line] of [...lines]) {
      const late = line.pulls.filter(
        ({ client, fetches: [first] }) =>
          client.address === address &&
          client.mac === undefined &&
          first !== undefined &&
          Date.parse(first[1].begun) >= since,
      )
      const [first] = late
      if (first === undefined) continue
      for (const pull of late) {
        pull.mac = mac
        outdate(pull)
      }
      const rest = line.pulls.filter((pull) => !late.includes(pull))
      const taken = rest.length === 0 ? line : partOf(line, late, reachOf(late))
      if (rest.length === 0) lines.delete(key)
      else lines.set(key, partOf(line, rest, line.reach))
      const target = lineKey(mac, first.image.sha256)
      const there = lines.get(target)
      lines.set(target, there === undefined ? taken : joinLines(there, taken))
    }
  }

  function kept(): Pull[] {
    return [...lines.values()].flatMap((line) => line.pulls)
  }

  return {
    take(entry, seq = entry.seq) {
      entries += 1
      if (entry.kind === 'opened' && Date.parse(entry.at) - Date.parse(latestAt) > ANOTHER_SITE_MS)
        macs.clear()
      latestAt = entry.at
      if (entry.kind === 'neighbour') return learn(entry.address, entry.mac, entry.at)
      const fetch = fetches.take(entry, seq)
      if (fetch === undefined) return
      if (fetch.ending === null) return begin(fetch)
      if (fetch.ending === 'refused') statement(fetch)
      else end(fetch)
      options.fetchDone?.(fetch)
    },
    pulls() {
      given ??= kept()
        .sort((a, b) => a.number - b.number)
        .map(recordOf)
      return given
    },
    pullOf: (id) => {
      const pull = pullOfFetch.get(id)
      return pull && recordOf(pull)
    },
    fetchesUnderWay: fetches.underWay,
    clientKey,
    macOf,
    renamed() {
      for (const pull of kept()) outdate(pull)
    },
  }
}

function hasImage(fetch: FetchRecord): fetch is FetchRecord & { image: NonNullable<FetchRecord['image']> } {
  return fetch.image !== null
}

/** How far from byte 0 on fetches have handed over. */
function further(reach: number, { ending, first, bytesHandedOver }: FetchRecord): number {
  if (ending === 'lost-track') return Number.POSITIVE_INFINITY
  return first <= reach ? Math.max(reach, first + bytesHandedOver) : reach
}

function reachOf(pulls: readonly Pull[]): number {
  return pulls.flatMap(({ fetches }) => [...fetches.values()]).reduce(further, 0)
}

function joins(pull: Pull, fetch: FetchRecord): boolean {
  if (fetch.first > 0) return true
  const wanted = promisedSpan(fetch)
  if (wanted.end >= pull.image.bytes) return false
  return [...pull.fetches.values()].every((other) => !overlap(wanted, promisedSpan(other)))
}

/** The later of two lines of one client leads; the evidence of both stays. */
function joinLines(a: Line, b: Line): Line {
  const pulls = [...a.pulls, ...b.pulls].sort((one, other) => one.number - other.number)
  return lineWith(pulls, {
    open: new Map([...a.open, ...b.open]),
    over: [...a.over, ...b.over].sort((one, other) => one.ended - other.ended),
    reach: Math.max(a.reach, b.reach),
  })
}

/** Some pulls of a line as a line of their own. */
function partOf(line: Line, pulls: readonly Pull[], reach: number): Line {
  const ids = new Set(pulls.flatMap(({ fetches }) => [...fetches.keys()]))
  return lineWith(pulls, {
    open: new Map([...line.open].filter(([id]) => ids.has(id))),
    over: line.over.filter(({ fetch }) => ids.has(fetch.id)),
    reach,
  })
}

function lineWith(pulls: readonly Pull[], more: Pick<Line, 'open' | 'over' | 'reach'>): Line {
  const line: Line = { latest: pulls.at(-1), pulls: [...pulls], ...more }
  for (const pull of pulls) pull.line = line
  return line
}
