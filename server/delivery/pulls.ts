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
  take(entry: Entry): void
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
  client: ClientRef
  record: PullRecord | undefined
}

/** What one client did with one version, over all its pulls. */
interface Line {
  latest: Pull | undefined
  /** Those not retired yet, the latest included. */
  pulls: Pull[]
  /** Fetches that may still overlap in time with one to come or one under way. */
  recent: FetchRecord[]
  /** Bytes `[0, reach)` that an earlier fetch handed over, or Infinity after a `lost-track`. */
  reach: number
}

export function createPullBook(options: PullBookOptions = {}): PullBook {
  const fetches = createFetchBook(options.idPrefix)
  const macs = new Map<string, string>()
  const lines = new Map<string, Line>()
  // Of a Map that many entries pass through, each table that was outgrown keeps what it held last alive for the
  // collector of young objects. So with `retired`, only what is under way stands here, and pulls stand in their lines
  // alone: with a set of them beside, the collector took a third of the time of an audit.
  const pullOfFetch = new Map<string, Pull>()
  let begunPulls = 0
  /** What `pulls()` gave out last, until a pull changes: it is asked for many times in between. */
  let given: readonly PullRecord[] | undefined

  const clientKey = (client: ClientRef): string => client.mac ?? macs.get(client.address) ?? client.address
  const macOf = (client: ClientRef): string | null => client.mac ?? macs.get(client.address) ?? null
  const lineKey = (client: string, sha256: string): string => `${client} ${sha256}`

  function lineOf(fetch: FetchRecord & { image: NonNullable<FetchRecord['image']> }): Line {
    const key = lineKey(clientKey(fetch.client), fetch.image.sha256)
    const known = lines.get(key)
    if (known !== undefined) return known
    const fresh: Line = { latest: undefined, pulls: [], recent: [], reach: 0 }
    lines.set(key, fresh)
    return fresh
  }

  function outdate(pull: Pull): void {
    pull.record = undefined
    given = undefined
  }

  function begin(fetch: FetchRecord): void {
    if (!hasImage(fetch) || fetch.rehearsal || fetch.bytesPromised === 0) return
    const line = lineOf(fetch)
    const latest = line.latest
    const pull = latest !== undefined && joins(latest, fetch) ? latest : newPull(line, fetch)
    pull.fetches.set(fetch.id, fetch)
    outdate(pull)
    pullOfFetch.set(fetch.id, pull)
    line.recent.push(fetch)
  }

  function newPull(line: Line, fetch: FetchRecord & { image: NonNullable<FetchRecord['image']> }): Pull {
    begunPulls += 1
    const pull: Pull = {
      number: begunPulls,
      line,
      client: fetch.client,
      image: fetch.image,
      fetches: new Map(),
      statements: [],
      reachBefore: line.reach,
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
    line.recent = line.recent.map((other) => (other.id === fetch.id ? fetch : other))
    for (const other of line.recent) {
      const twice = handedTwice(fetch, other)
      if (twice === 'no') continue
      for (const id of [fetch.id, other.id]) markDoubled(pullOfFetch.get(id), twice === 'to several')
    }
    if (line.recent.every((other) => other.ended !== null)) {
      if (options.retired !== undefined) for (const { id } of line.recent) pullOfFetch.delete(id)
      line.recent = []
    }
    if (fetch.ending === 'lost-track') line.reach = Number.POSITIVE_INFINITY
    else if (fetch.first <= line.reach) {
      line.reach = Math.max(line.reach, fetch.first + fetch.bytesHandedOver)
    }
    retirePast(line)
  }

  /** 416 to `bytes=SIZE-`: the client says that it holds the whole image. */
  function statement(refusal: FetchRecord): void {
    if (!hasImage(refusal) || refusal.status !== 416) return
    if (resumeOffset(refusal.range) !== refusal.image.bytes) return
    const pull = lines.get(lineKey(clientKey(refusal.client), refusal.image.sha256))?.latest
    if (pull === undefined) return
    pull.statements.push(refusal)
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
    if (options.retired === undefined || line.recent.length > 0) return
    if (line.pulls.length < 2) return
    for (const pull of line.pulls) if (pull !== line.latest) options.retired(recordOf(pull))
    line.pulls = line.latest === undefined ? [] : [line.latest]
  }

  function recordOf(pull: Pull): PullRecord {
    if (pull.record !== undefined) return pull.record
    const { address } = pull.client
    const mac = macOf(pull.client)
    pull.record = judgePull(pull, { mac, device: options.deviceOf?.({ address, mac }) ?? null })
    return pull.record
  }

  /** A hardware address learnt late: what its network address did belongs to it from now on. */
  function learn(address: string, mac: string): void {
    if (macs.get(address) === mac) return
    const from = `${macs.get(address) ?? address} `
    macs.set(address, mac)
    for (const [key, line] of [...lines]) {
      if (!key.startsWith(from) || line.latest?.client.mac !== undefined) continue
      lines.delete(key)
      const target = lineKey(mac, key.slice(from.length))
      const there = lines.get(target)
      lines.set(target, there === undefined ? line : joinLines(there, line))
    }
    for (const pull of kept()) if (pull.client.address === address) outdate(pull)
  }

  function kept(): Pull[] {
    return [...lines.values()].flatMap((line) => line.pulls)
  }

  return {
    take(entry) {
      if (entry.kind === 'neighbour') return learn(entry.address, entry.mac)
      const fetch = fetches.take(entry)
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

function joins(pull: Pull, fetch: FetchRecord): boolean {
  if (fetch.first > 0) return true
  const wanted = promisedSpan(fetch)
  if (wanted.end >= pull.image.bytes) return false
  return [...pull.fetches.values()].every((other) => !overlap(wanted, promisedSpan(other)))
}

/** The later of two lines of one client leads; the evidence of both stays. */
function joinLines(a: Line, b: Line): Line {
  const later = begunOf(a) > begunOf(b) ? a : b
  const joined: Line = {
    latest: later.latest,
    pulls: [...a.pulls, ...b.pulls],
    recent: [...a.recent, ...b.recent],
    reach: Math.max(a.reach, b.reach),
  }
  for (const pull of joined.pulls) pull.line = joined
  return joined
}

function begunOf(line: Line): string {
  return line.latest?.fetches.values().next().value?.begun ?? ''
}
