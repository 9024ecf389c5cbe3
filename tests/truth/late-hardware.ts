/**
 * The same visit told once more, of a network that shows hardware addresses, many of them late: loopback has none. Some
 * devices came to a bench one after another and had one network address there (the maker's). What is concluded of the
 * retold ledger is held against the same truth, and a running server fed with it against a replay.
 */
import { cpSync, mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { createDerived, type Derived } from '../../server/depot/derived.ts'
import { FIRST_PREV, sealLine } from '../../server/ledger/chain.ts'
import type { Entry, NewEntry } from '../../server/ledger/entries.ts'
import { ledgerEntries } from '../clients/served.ts'
import { audit } from '../commands/in-process.ts'
import { compare, groupBy } from './comparison.ts'
import type { Device } from './device.ts'
import { nameOf, sheetOf } from './fleet.ts'
import type { Images } from './images.ts'
import { planOnRecord } from './live.ts'
import type { Random } from './random.ts'
import { compareStandings, type StandingsComparison } from './standings.ts'

/** What the network shows of the devices behind one address of the truth run. */
interface Showing {
  readonly mac: string
  /** The network address that they have in the retold visit. */
  readonly address: string
  /** After so many entries of theirs; 0: from the first on; undefined: never. */
  readonly after: number | undefined
}

export interface Retold {
  readonly faults: readonly string[]
  readonly words: string
}

const SHOWN = [
  { weight: 2, after: undefined },
  { weight: 2, after: 0 },
  { weight: 6, after: 1 },
  { weight: 3, after: 2 },
] as const
/** Later it is told to nobody that was there before. */
const LATE_AT_MOST_MS = 15_000

export async function retellWithHardware(told: {
  readonly folder: string
  readonly devices: readonly Device[]
  readonly images: Images
  readonly held: ReadonlySet<string>
  readonly lastLife: number
  /** Of the visit as it was. */
  readonly standings: StandingsComparison
  readonly random: Random
}): Promise<Retold> {
  const { devices, images, held, lastLife, random } = told
  const entries = ledgerEntries(told.folder)
  const showings = chooseShowings(entries, devices, random)
  const moved = devices.map((device) => movedTo(device, showings.get(device.address)?.address))
  const macs = new Map(devices.map((device) => [nameOf(device), showings.get(device.address)?.mac ?? '']))
  const retold = retell(entries, showings, sheetOf(moved, macs))
  const folder = mkdtempSync(join(tmpdir(), 'fetchproof-retold-'))
  try {
    const sealed = writeLedger(folder, retold)
    const record = await audit(folder)
    const plan = await planOnRecord(folder)
    const standings = compareStandings({ devices: moved, images, held, plan, fetches: record.fetches })
    const compared = compare({ devices: moved, images, audit: record, lastLife })
    const was = new Set(told.standings.missed.map(deviceIn))
    const faults = [
      ...compared.faults.filter((fault) => !fault.startsWith('only ')),
      ...standings.faults.filter((fault) => !fault.startsWith('only ')),
      ...standings.missed.filter((words) => !was.has(deviceIn(words))),
      ...liveAgainstReplay(sealed, random),
    ]
    const late = [...showings.values()].filter(({ after }) => after !== undefined && after > 0).length
    const benches = showings.size - new Set([...showings.values()].map(({ address }) => address)).size
    if (faults.length > 0) {
      const kept = mkdtempSync(join(tmpdir(), 'fetchproof-retold-kept-'))
      cpSync(folder, kept, { recursive: true })
      faults.push(`kept in ${kept}`)
    }
    return {
      faults: faults.map((fault) => `with late hardware addresses: ${fault}`),
      words: `retold: ${late} hardware addresses came late, ${benches} network addresses were another's before; ${standings.dueDone} of ${standings.due} due devices stand as done`,
    }
  } finally {
    rmSync(folder, { recursive: true, force: true })
  }
}

function deviceIn(words: string): string {
  return words.slice(0, words.indexOf(','))
}

function movedTo(device: Device, address = device.address): Device {
  return { ...device, address, requests: device.requests.map((truth) => ({ ...truth, address })) }
}

function chooseShowings(
  entries: readonly Entry[],
  devices: readonly Device[],
  random: Random,
): ReadonlyMap<string, Showing> {
  const ports = new Map<string, ReadonlySet<number>>()
  for (const [address, here] of groupBy(devices, (device) => device.address))
    ports.set(address, new Set(here.flatMap(({ requests }) => requests.map(({ port }) => port))))
  const areApart = (one: string, other: string): boolean =>
    [...(ports.get(one) ?? [])].every((port) => ports.get(other)?.has(port) !== true)
  const showings = new Map<string, Showing>()
  /** Where one device only has been so far. */
  const benches: { address: string; left: number }[] = []
  for (const [own, theirs] of ownEntries(entries)) {
    if (!ports.has(own)) continue
    const [came, left] = [theirs[0]?.seq ?? 0, theirs.at(-1)?.seq ?? 0]
    const { after } = random.weighted(SHOWN)
    const free = benches.findIndex((each) => each.left < came && areApart(each.address, own))
    const isSecond = after !== undefined && free !== -1 && random.chance(0.6)
    const [bench] = isSecond ? benches.splice(free, 1) : []
    if (after !== undefined && !isSecond) benches.push({ address: own, left })
    showings.set(own, { mac: macOf(showings.size), after, address: bench?.address ?? own })
  }
  return showings
}

/** By network address, in the order in which they came. */
function ownEntries(entries: readonly Entry[]): Map<string, Entry[]> {
  return groupBy(
    entries.filter((entry) => 'client' in entry),
    (entry) => ('client' in entry ? entry.client.address : ''),
  )
}

/** Locally administered (IEEE 802): no maker's. */
function macOf(index: number): string {
  const digits = index.toString(16).padStart(6, '0')
  return `02:00:00:${digits.slice(0, 2)}:${digits.slice(2, 4)}:${digits.slice(4)}`
}

type Body = { readonly at: string; readonly was: number | undefined; readonly entry: NewEntry }

function retell(entries: readonly Entry[], showings: ReadonlyMap<string, Showing>, sheet: string): Body[] {
  const retold: Body[] = []
  const own = ownEntries(entries)
  const heard = new Map<string, { count: number; shown: boolean }>()
  const [heading = '', ...lines] = sheet.split('\r\n').filter((line) => line !== '')
  const rows = lines.map((line) => {
    const cells = line.split(',')
    return Object.fromEntries(heading.split(',').map((column, at) => [column, cells[at] ?? '']))
  })
  for (const whole of entries) {
    const { seq, at, prev, sum, ...entry } = whole
    const client = 'client' in entry ? entry.client : undefined
    const showing = client && showings.get(client.address)
    const put = (body: NewEntry, was?: number): number => retold.push({ at, was, entry: body })
    if (client === undefined || showing === undefined) {
      put(entry.kind === 'sheet' ? { ...entry, rows } : entry, seq)
      continue
    }
    const known = heard.get(client.address) ?? { count: 0, shown: showing.after === 0 }
    heard.set(client.address, known)
    known.count += 1
    const { address, mac } = showing
    put({ ...entry, client: { ...client, address, ...(known.shown && { mac }) } } as NewEntry, seq)
    if (known.shown || showing.after === undefined) continue
    if (known.count >= showing.after || !comesSoon(own.get(client.address)?.[known.count], whole)) {
      known.shown = true
      put({ kind: 'neighbour', address, mac })
    }
  }
  return retold
}

/** Else the neighbour table has long been asked. */
function comesSoon(next: Entry | undefined, before: Entry): boolean {
  if (next?.kind !== 'fetch-begun' || before.kind !== 'fetch-begun') return false
  const ms = (next.upMs ?? 0) - (before.upMs ?? 0)
  return ms >= 0 && ms <= LATE_AT_MOST_MS
}

function writeLedger(folder: string, bodies: readonly Body[]): Entry[] {
  const renumbered = new Map<number, number>()
  const sealed: Entry[] = []
  let prev = FIRST_PREV
  const lines = bodies.map(({ at, was, entry }, index) => {
    const seq = index + 1
    if (was !== undefined) renumbered.set(was, seq)
    const body = entry.kind === 'struck' ? { ...entry, strikes: renumbered.get(entry.strikes) ?? 0 } : entry
    const line = sealLine({ seq, prev }, Date.parse(at), body)
    prev = line.entry.sum
    sealed.push(line.entry)
    return `${line.line}\n`
  })
  mkdirSync(join(folder, '.fetchproof'))
  writeFileSync(join(folder, '.fetchproof', 'ledger.ndjson'), lines.join(''))
  return sealed
}

/** A server writes at once, syncs now and then, and is asked by its page at any moment. */
function liveAgainstReplay(entries: readonly Entry[], random: Random): string[] {
  const live = createDerived(() => null)
  const replayed = createDerived(() => null)
  for (let at = 0; at < entries.length; ) {
    const group = entries.slice(at, at + random.whole(1, 20))
    at += group.length
    for (const entry of group) {
      live.ahead.apply(entry)
      if (random.chance(0.2)) live.pulls.pulls()
    }
    for (const entry of group) {
      live.apply(entry)
      if (random.chance(0.2)) live.pulls.pulls()
    }
  }
  for (const entry of entries) {
    replayed.ahead.apply(entry)
    replayed.apply(entry)
  }
  const [one, other] = [concluded(live, entries), concluded(replayed, entries)]
  const different = one.findIndex((line, at) => line !== other[at])
  if (one.length === other.length && different === -1) return []
  return [`live is not replay: ${one[different]} | ${other[different]}`]
}

function concluded(derived: Derived, entries: readonly Entry[]): string[] {
  const clients = new Map<string, string>()
  for (const entry of entries) {
    if (entry.kind !== 'fetch-begun' || entry.image === undefined) continue
    const part = derived.ahead.parts.of(entry.client, entry.image.name)
    const { address, mac } = entry.client
    clients.set(
      `${address} ${mac} ${entry.image.name}`,
      `${part?.sha256} ${part?.furthest} ${part?.underWay} ${derived.pulls.macOf(entry.client)}`,
    )
  }
  return [
    ...derived.pulls.pulls().map((pull) => JSON.stringify(pull)),
    ...[...clients].map((each) => each.join(': ')),
    ...derived.recent.map((fetch) => JSON.stringify(fetch)),
  ]
}
