/**
 * The plan against what happened: a row a device. Pure, over the sheet's rows and what the ledger's entries say, so
 * that page, audit and report cannot disagree. Never claims more than was seen: of a device behind another one no
 * more than that the other pulled, of devices that share an address no more than "unconfirmed".
 */
import type { FetchRecord, PullRecord } from '../delivery/records.ts'
import type { EntryOf, ImageReference } from '../ledger/entries.ts'
import type { DeviceFacts } from './device-facts.ts'
import { createDeviceFinder, type DeviceFinder } from './device-finder.ts'
import { planDevice } from './device-plan.ts'
import { type Hint, hintsFrom } from './hints.ts'
import type { DarkOrBack, DevicePlan, Plan, Standing, Stranger } from './plan-shape.ts'
import { createImageNames } from './planned-image.ts'
import { deviceKey, type PlannedRow } from './sheet-rows.ts'

export interface PlanFacts {
  readonly rows: readonly PlannedRow[]
  /** Rehearsals are no pulls and stand in neither. */
  readonly pulls: readonly PullRecord[]
  readonly fetches: readonly FetchRecord[]
  /** Fetches of images, for guesses about what stops and crawls; `fetches` unless told. */
  readonly moved?: readonly FetchRecord[]
  readonly observations: readonly EntryOf<'observed'>[]
  /** In the order of the ledger. */
  readonly returns: readonly DarkOrBack[]
  /** What is or was on offer. */
  readonly images: readonly ImageReference[]
  /** The visit is over: what is still waited for has not come. */
  readonly over: boolean
  readonly macOf?: (address: string) => string | null
  /** Names of devices that went dark and should have been back by now. */
  readonly notBack?: ReadonlySet<string>
  /** Of the slowest link that counts as a good one, in Mb/s; 100 unless told. */
  readonly linkMbps?: number
}

interface Gathered {
  readonly rows: PlannedRow[]
  readonly pulls: PullRecord[]
  readonly fetches: FetchRecord[]
  readonly observations: EntryOf<'observed'>[]
  readonly returns: DarkOrBack[]
  readonly hints: Hint[]
  sharedWith: readonly string[]
  takenBy: PullRecord[]
}

export function planAgainstFacts(facts: PlanFacts): Plan {
  const finder = createDeviceFinder(facts.rows)
  const gathered = gatherRows(facts.rows)
  const strangers = new Map<string, PullRecord[]>()
  const learnt = learnHardware(facts.pulls, finder)
  for (const pull of facts.pulls) {
    const owners = ownersOf(pull, finder, learnt)
    for (const name of owners) gathered.get(deviceKey(name))?.pulls.push(pull)
    if (owners.length > 1) for (const name of owners) markShared(gathered, name, owners)
    if (owners.length > 0) continue
    gather(strangers, pull.client.mac ?? pull.client.address, pull)
    const found = finder.find(pull.client)
    if (found.kind === 'other hardware') gathered.get(deviceKey(found.device))?.takenBy.push(pull)
  }
  gatherFetches(facts, finder, gathered)
  gatherHints(facts, finder, gathered)
  const otherObservations = gatherObservations(facts, finder, gathered)
  gatherReturns(facts, finder, gathered)
  const devices = planDevices(facts, gathered)
  return {
    devices,
    strangers: [...strangers.values()].map((pulls) => strangerOf(pulls, finder)),
    otherObservations,
    counts: countStandings(devices),
    complete: devices.every((device) => device.done && device.standing !== 'wrong image'),
  }
}

/** In place: a new list for each of 150,000 pulls of one client took more than four minutes. */
function gather<T>(lists: Map<string, T[]>, key: string, item: T): void {
  const there = lists.get(key)
  if (there === undefined) lists.set(key, [item])
  else there.push(item)
}

function gatherRows(rows: readonly PlannedRow[]): Map<string, Gathered> {
  const gathered = new Map<string, Gathered>()
  for (const row of rows) {
    const there = gathered.get(deviceKey(row.device))
    if (there !== undefined) there.rows.push(row)
    else gathered.set(deviceKey(row.device), { ...emptyGathered(), rows: [row] })
  }
  return gathered
}

function emptyGathered(): Gathered {
  return {
    rows: [],
    pulls: [],
    fetches: [],
    observations: [],
    returns: [],
    hints: [],
    sharedWith: [],
    takenBy: [],
  }
}

/** Devices by the hardware address that one of their pulls showed: they keep it when their address changes. */
function learnHardware(pulls: readonly PullRecord[], finder: DeviceFinder): ReadonlyMap<string, string> {
  const devices = new Map<string, Set<string>>()
  for (const pull of pulls) {
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

function gatherFetches(facts: PlanFacts, finder: DeviceFinder, gathered: Map<string, Gathered>): void {
  for (const fetch of facts.fetches) {
    if (fetch.rehearsal) continue
    for (const name of namesOf(fetch, facts, finder)) gathered.get(deviceKey(name))?.fetches.push(fetch)
  }
}

function gatherHints(facts: PlanFacts, finder: DeviceFinder, gathered: Map<string, Gathered>): void {
  const moved = facts.moved ?? facts.fetches
  const fetches = new Map(moved.map((fetch) => [fetch.id, fetch]))
  for (const hint of hintsFrom(moved, facts.linkMbps)) {
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
  return facts.observations.filter((seen) => {
    const name =
      finder.nameOf({ address: seen.device, mac: seen.device.toLowerCase() }) ??
      finder.nameOf({ address: seen.device, mac: null })
    const there = gathered.get(deviceKey(seen.device)) ?? gathered.get(deviceKey(name ?? ''))
    there?.observations.push(seen)
    return there === undefined
  })
}

function gatherReturns(facts: PlanFacts, finder: DeviceFinder, gathered: Map<string, Gathered>): void {
  for (const entry of facts.returns) {
    const { address } = entry
    const name = finder.nameOf({ address, mac: facts.macOf?.(address) ?? null })
    const there = gathered.get(deviceKey(entry.device)) ?? gathered.get(deviceKey(name ?? ''))
    there?.returns.push(entry)
  }
}

/** Those that pull themselves first: what a device behind another one got is read from that one's row. */
function planDevices(facts: PlanFacts, gathered: ReadonlyMap<string, Gathered>): DevicePlan[] {
  const planned = new Map<string, DevicePlan>()
  const images = createImageNames([...facts.images, ...facts.pulls.map(({ image }) => image)])
  const behind = new Map<string, PlannedRow[]>()
  for (const row of facts.rows) {
    if (row.via !== null) gather(behind, deviceKey(row.via), row)
  }
  const plan = (key: string, there: Gathered, via?: DeviceFacts['via']): void => {
    const deviceFacts: DeviceFacts = {
      ...there,
      over: facts.over,
      notBack: facts.notBack?.has(there.rows[0]?.device ?? '') === true,
      images,
      behindRows: behind.get(key) ?? [],
      ...(via !== undefined && { via }),
    }
    planned.set(key, planDevice(deviceFacts))
  }
  for (const [key, there] of gathered) if (there.rows[0]?.via == null) plan(key, there)
  for (const [key, there] of gathered) {
    const viaKey = deviceKey(there.rows[0]?.via ?? '')
    const puller = planned.get(viaKey)
    if (planned.has(key)) continue
    plan(key, there, puller && { plan: puller, pulls: gathered.get(viaKey)?.pulls ?? [] })
  }
  return [...gathered.keys()].flatMap((key) => planned.get(key) ?? [])
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
