/**
 * The plan against what happened: a row a device. Pure, over the sheet's rows and what the ledger's entries say, so
 * that page, audit and report cannot disagree. Never claims more than was seen: of a device behind another one no
 * more than that the other pulled, of devices that share an address no more than "unconfirmed".
 */
import type { FetchRecord, PullRecord } from '../delivery/records.ts'
import { addTo, grouped } from '../grouped.ts'
import type { EntryOf, ImageReference } from '../ledger/entries.ts'
import { type DeviceFacts, type DeviceObservation, emptyGathered, type Gathered } from './device-facts.ts'
import { createDeviceFinder, type DeviceFinder } from './device-finder.ts'
import { planDevice } from './device-plan.ts'
import { hintsFrom } from './hints.ts'
import type { DevicePlan, Plan, Stranger } from './plan-shape.ts'
import { createImageNames, type ImageNames } from './planned-image.ts'
import { deviceKey, type PlannedRow } from './sheet-rows.ts'
import { isOpen, type Standing } from './standings.ts'
import type { VisitEvidence } from './visit-evidence.ts'

/** What one ledger says: of several, each has its own images and holds. */
interface LedgerFacts {
  /** In the order they began. Rehearsals are no pulls. */
  readonly pulls: readonly PullRecord[]
  readonly evidence: VisitEvidence
}

export interface PlanFacts {
  readonly rows: readonly PlannedRow[]
  readonly ledgers: readonly LedgerFacts[]
  /** Fetches of images, for guesses about what stops and crawls. */
  readonly moved: readonly FetchRecord[]
  /** In the folder, whether it is on record yet or not. */
  readonly present?: readonly ImageReference[]
  /** The visit is over: what is still waited for has not come. */
  readonly over: boolean
  readonly macOf?: (address: string) => string | null
  /** Names of devices that went dark and should have been back by now. */
  readonly notBack?: ReadonlySet<string>
  /** Of the slowest link that counts as a good one, in Mb/s; 100 unless told. */
  readonly linkMbps?: number | undefined
}

export function planAgainstFacts(facts: PlanFacts): Plan {
  const finder = createDeviceFinder(facts.rows)
  const byDevice = grouped(facts.rows, ({ device }) => deviceKey(device))
  const gathered = new Map([...byDevice].map(([key, rows]) => [key, emptyGathered(rows)]))
  const strangers = new Map<string, PullRecord[]>()
  const learnt = learnHardware(facts, finder)
  for (const { pull, evidence } of pullsInOrder(facts.ledgers)) {
    const owners = ownersOf(pull, finder, learnt)
    const shared = owners.length > 1
    for (const name of owners) {
      const onRecord = evidence.offers.judge(pull.image)
      gathered.get(deviceKey(name))?.pulls.push({ pull, shared, onRecord })
    }
    if (shared) for (const name of owners) markShared(gathered, name, owners)
    if (owners.length > 0) continue
    addTo(strangers, pull.client.mac ?? pull.client.address, pull)
    const found = finder.find(pull.client)
    if (found.kind === 'other hardware') gathered.get(deviceKey(found.device))?.takenBy.push(pull)
  }
  gatherAsked(facts, finder, gathered)
  gatherHints(facts, finder, gathered)
  const otherObservations = gatherObservations(facts, finder, gathered)
  gatherReturns(facts, finder, gathered)
  const devices = planDevices(facts, gathered)
  return {
    devices,
    strangers: [...strangers.values()].map((pulls) => strangerOf(pulls, finder)),
    otherObservations,
    counts: countStandings(devices),
    complete: !devices.some(({ standing }) => isOpen(standing)),
  }
}

interface PullOfLedger {
  readonly pull: PullRecord
  readonly evidence: VisitEvidence
}

function pullsInOrder(ledgers: readonly LedgerFacts[]): PullOfLedger[] {
  const all = ledgers.flatMap(({ pulls, evidence }) => pulls.map((pull) => ({ pull, evidence })))
  return ledgers.length === 1 ? all : all.sort((a, b) => a.pull.begunSeq - b.pull.begunSeq)
}

/** Devices by the hardware address that one of their pulls showed: they keep it when their address changes. */
function learnHardware({ ledgers }: PlanFacts, finder: DeviceFinder): ReadonlyMap<string, string> {
  const devices = new Map<string, Set<string>>()
  for (const pull of ledgers.flatMap(({ pulls }) => pulls)) {
    if (pull.client.mac === null) continue
    for (const address of pull.addresses ?? [pull.client.address]) {
      const found = finder.find({ address, mac: pull.client.mac })
      if (found.kind !== 'one') continue
      devices.set(pull.client.mac, (devices.get(pull.client.mac) ?? new Set()).add(found.device))
    }
  }
  return new Map([...devices].flatMap(([mac, names]) => (names.size === 1 ? [[mac, [...names].join()]] : [])))
}

/** Names of the devices that the pull may be of: one, several behind one address, or none. */
function ownersOf(
  pull: PullRecord,
  finder: DeviceFinder,
  learnt: ReadonlyMap<string, string>,
): readonly string[] {
  const { mac } = pull.client
  for (const address of pull.addresses ?? [pull.client.address]) {
    const found = finder.find({ address, mac })
    if (found.kind === 'one') return [found.device]
    if (found.kind === 'several') {
      const own = mac === null ? undefined : learnt.get(mac)
      return own === undefined ? found.devices : [own]
    }
  }
  const own = mac === null ? undefined : learnt.get(mac)
  return own === undefined ? [] : [own]
}

function markShared(gathered: Map<string, Gathered>, name: string, owners: readonly string[]): void {
  const there = gathered.get(deviceKey(name))
  if (there !== undefined) there.sharedWith = owners.filter((other) => other !== name)
}

function gatherAsked(facts: PlanFacts, finder: DeviceFinder, gathered: Map<string, Gathered>): void {
  const all = facts.ledgers
    .flatMap(({ evidence }) => evidence.asked())
    .sort((a, b) => a.latest.begunSeq - b.latest.begunSeq)
  for (const asked of all) {
    for (const name of namesOf(asked.latest, facts, finder)) gathered.get(deviceKey(name))?.asked.push(asked)
  }
}

function gatherHints(facts: PlanFacts, finder: DeviceFinder, gathered: Map<string, Gathered>): void {
  const fetches = new Map(facts.moved.map((fetch) => [fetch.id, fetch]))
  for (const hint of hintsFrom(facts.moved, facts.linkMbps)) {
    const last = fetches.get(hint.fetches.at(-1) ?? '')
    for (const name of last === undefined ? [] : namesOf(last, facts, finder)) {
      gathered.get(deviceKey(name))?.hints.push(hint)
    }
  }
}

/** Devices that a fetch may be of. */
function namesOf({ client }: FetchRecord, { macOf }: PlanFacts, finder: DeviceFinder): readonly string[] {
  const { address } = client
  const found = finder.find({ address, mac: client.mac ?? macOf?.(address) ?? null })
  if (found.kind === 'one') return [found.device]
  return found.kind === 'several' ? found.devices : []
}

/** A person may write a device's name or one of its addresses. */
function gatherObservations(
  facts: PlanFacts,
  finder: DeviceFinder,
  gathered: Map<string, Gathered>,
): EntryOf<'observed'>[] {
  const others: EntryOf<'observed'>[] = []
  const all = facts.ledgers
    .flatMap(({ evidence }) => evidence.observations().map((observation) => ({ ...observation, evidence })))
    .sort((a, b) => a.seq - b.seq)
  for (const { entry, seq, evidence } of all) {
    const { device } = entry
    const there = gathered.get(deviceKey(finder.named(device) ?? ''))
    if (there === undefined) others.push(entry)
    there?.observations.push(entry)
    there?.seen.push(seenIn(entry, seq, evidence))
  }
  return others
}

function seenIn(entry: EntryOf<'observed'>, seq: number, { offers }: VisitEvidence): DeviceObservation {
  const { at, by, after, digest } = entry
  const seen = { seq, at, by, after }
  if (digest === undefined) return seen
  const { algorithm, value } = digest
  const image = digest.image ?? offers.withDigest(algorithm, value)
  const onRecord = image === undefined ? { earlier: false, held: null } : offers.judge(image)
  return { ...seen, printed: { digest: { algorithm, value }, image, onRecord } }
}

function gatherReturns(facts: PlanFacts, finder: DeviceFinder, gathered: Map<string, Gathered>): void {
  for (const entry of facts.ledgers.flatMap(({ evidence }) => evidence.returns)) {
    const { device, address } = entry
    const name = finder.named(device) ?? finder.nameOf({ address, mac: facts.macOf?.(address) ?? null })
    gathered.get(deviceKey(name ?? ''))?.returns.push(entry)
  }
}

/** Those that pull themselves first: what a device behind another one got is read from that one's row. */
function planDevices(facts: PlanFacts, gathered: ReadonlyMap<string, Gathered>): DevicePlan[] {
  const planned = new Map<string, { plan: DevicePlan; facts: DeviceFacts }>()
  const images = imagesKnown(facts)
  const behind = new Map<string, PlannedRow[]>()
  for (const row of facts.rows) {
    if (row.via !== null) addTo(behind, deviceKey(row.via), row)
  }
  const plan = (key: string, there: Gathered, via?: DeviceFacts['via']): void => {
    const sharing = there.sharedWith
      .map(deviceKey)
      .flatMap((other) => [...(gathered.get(other)?.rows ?? []), ...(behind.get(other) ?? [])])
    const deviceFacts: DeviceFacts = {
      ...there,
      over: facts.over,
      notBack: facts.notBack?.has(there.rows[0]?.device ?? '') === true,
      images,
      othersRows: [...(behind.get(key) ?? []), ...sharing],
      via,
    }
    planned.set(key, { plan: planDevice(deviceFacts), facts: deviceFacts })
  }
  for (const [key, there] of gathered) if (there.rows[0]?.via == null) plan(key, there)
  for (const [key, there] of gathered) {
    if (!planned.has(key)) plan(key, there, planned.get(deviceKey(there.rows[0]?.via ?? '')))
  }
  return [...gathered.keys()].flatMap((key) => planned.get(key)?.plan ?? [])
}

/** What is in the folder last, since a cell that several versions would fit means the one that is on offer. */
function imagesKnown({ ledgers, present = [] }: PlanFacts): ImageNames {
  const pulled = new Map(ledgers.flatMap(({ pulls }) => pulls.map(({ image }) => [image.sha256, image])))
  const offered = ledgers.flatMap(({ evidence }) => evidence.offers.images())
  return createImageNames([...pulled.values(), ...offered, ...present])
}

function strangerOf(pulls: readonly PullRecord[], finder: DeviceFinder): Stranger {
  const client = pulls[0]?.client ?? { address: '', mac: null, device: null }
  const found = finder.find(client)
  return {
    addresses: [...new Set(pulls.flatMap((pull) => pull.addresses ?? [pull.client.address]))],
    mac: client.mac,
    pulls,
    remark:
      found.kind === 'other hardware'
        ? `Its address is the one of ${found.device} on the sheet, but its hardware address is not (${found.planned}).`
        : null,
  }
}

function countStandings(devices: readonly DevicePlan[]): Partial<Record<Standing, number>> {
  const counts: Partial<Record<Standing, number>> = {}
  for (const { standing } of devices) counts[standing] = (counts[standing] ?? 0) + 1
  return counts
}
