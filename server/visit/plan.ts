/**
 * The plan against what happened: a row a device. Pure, over the sheet's rows and what the ledger's entries say, so
 * that page, audit and report cannot disagree. Never claims more than was seen: of a device behind another one no
 * more than that the other pulled, of devices that share an address no more than "unconfirmed".
 */
import type { FetchRecord, PullRecord } from '../delivery/records.ts'
import type { EntryOf, ImageReference } from '../ledger/entries.ts'
import { grouped, type NonEmpty } from '../lists-by-key.ts'
import { addressesOf, type DeviceFacts, emptyGathered, type Gathered, seenIn } from './device-facts.ts'
import { createDeviceFinder, type DeviceFinder } from './device-finder.ts'
import { type DevicePlan, planDevice } from './device-plan.ts'
import { hintsFrom } from './hints.ts'
import { createImageNames, type ImageNames } from './planned-image.ts'
import { deviceKey, type PlannedRow } from './sheet-rows.ts'
import { isOpen, type Standing } from './standing-names.ts'
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

export type Plan = Readonly<ReturnType<typeof planAgainstFacts>>

export function planAgainstFacts(facts: PlanFacts) {
  const { finder, devices: gathered, nobodys, otherObservations } = gather(facts)
  const devices = planDevices(facts, gathered)
  return {
    devices,
    /** Clients that pulled without standing on the sheet. */
    strangers: nobodys.map((pulls) => strangerOf(pulls, finder)),
    /** Observations of devices that are not on the sheet. */
    otherObservations,
    counts: countStandings(devices),
    /** Nothing is open. */
    complete: !devices.some(({ standing }) => isOpen(standing)),
  }
}

/** What the ledgers say of each device of the sheet, and what they say of none. */
function gather({ rows, ledgers, moved, linkMbps, macOf = () => null }: PlanFacts) {
  // Long: one kind of evidence after the other, pulls, requests, fetches under way, observations, returns.
  const finder = createDeviceFinder(rows)
  const byDevice = grouped(rows, ({ device }) => deviceKey(device))
  const devices = new Map([...byDevice].map(([key, own]) => [key, emptyGathered(own)]))
  const named = (name: string | null): Gathered | undefined => devices.get(deviceKey(name ?? ''))
  /** Those that a fetch may be of. */
  const ofFetch = ({ client: { address, mac } }: FetchRecord): (Gathered | undefined)[] =>
    finder.find({ address, mac: mac ?? macOf(address) }).devices.map(named)

  const pulls = merged(
    ledgers,
    ({ pulls }) => pulls,
    ({ begunSeq }) => begunSeq,
  )
  const learnt = learnHardware(pulls, finder)
  const nobodys: PullRecord[] = []
  for (const [pull, { offers }] of pulls) {
    const owners = ownersOf(pull, finder, learnt)
    const shared = owners.length > 1
    for (const name of owners) {
      const device = named(name)
      device?.pulls.push({ pull, shared, onRecord: offers.judge(pull.image) })
      if (shared && device !== undefined) device.sharedWith = owners.filter((other) => other !== name)
    }
    if (owners.length > 0) continue
    nobodys.push(pull)
    named(finder.find(pull.client).otherHardware?.device ?? null)?.takenBy.push(pull)
  }

  const asked = merged(
    ledgers,
    ({ evidence }) => evidence.asked(),
    ({ latest }) => latest.begunSeq,
  )
  for (const [each] of asked) for (const device of ofFetch(each.latest)) device?.asked.push(each)

  const fetches = new Map(moved.map((fetch) => [fetch.id, fetch]))
  for (const hint of hintsFrom(moved, linkMbps)) {
    const last = fetches.get(hint.fetches.at(-1) ?? '')
    for (const device of last === undefined ? [] : ofFetch(last)) device?.hints.push(hint)
  }

  const otherObservations: EntryOf<'observed'>[] = []
  const observed = merged(
    ledgers,
    ({ evidence }) => evidence.observations(),
    ({ seq }) => seq,
  )
  for (const [{ entry, seq }, { offers }] of observed) {
    // A person may write a device's name or one of its addresses.
    const device = named(finder.named(entry.device))
    if (device === undefined) otherObservations.push(entry)
    device?.observations.push(entry)
    device?.seen.push(seenIn(entry, seq, offers))
  }

  for (const entry of ledgers.flatMap(({ evidence }) => evidence.returns)) {
    const { device, address } = entry
    named(finder.named(device) ?? finder.nameOf({ address, mac: macOf(address) }))?.returns.push(entry)
  }
  const byClient = grouped(nobodys, ({ client }) => client.mac ?? client.address)
  return { finder, devices, nobodys: [...byClient.values()], otherObservations }
}

/** What several ledgers say, in one order, each beside the evidence of its own ledger. */
function merged<T>(
  ledgers: readonly LedgerFacts[],
  of: (ledger: LedgerFacts) => readonly T[],
  place: (item: T) => number,
): (readonly [T, VisitEvidence])[] {
  const all = ledgers.flatMap((ledger) => of(ledger).map((item) => [item, ledger.evidence] as const))
  return all.sort(([a], [b]) => place(a) - place(b))
}

/** Devices by the hardware address that one of their pulls showed: they keep it when their address changes. */
function learnHardware(
  pulls: readonly (readonly [PullRecord, VisitEvidence])[],
  finder: DeviceFinder,
): ReadonlyMap<string, string> {
  const devices = new Map<string, Set<string>>()
  for (const [pull] of pulls) {
    const { mac } = pull.client
    if (mac === null) continue
    for (const address of addressesOf(pull)) {
      const name = finder.nameOf({ address, mac })
      if (name !== null) devices.set(mac, (devices.get(mac) ?? new Set()).add(name))
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
  const found = addressesOf(pull).map((address) => finder.find({ address, mac }).devices)
  const devices = found.find(({ length }) => length > 0) ?? []
  const own = mac === null ? undefined : learnt.get(mac)
  return devices.length === 1 || own === undefined ? devices : [own]
}

/** Those that pull themselves first: what a device behind another one got is read from that one's row. */
function planDevices(facts: PlanFacts, devices: ReadonlyMap<string, Gathered>): DevicePlan[] {
  const planned = new Map<string, { plan: DevicePlan; facts: DeviceFacts }>()
  const images = imagesKnown(facts)
  const pulledFor = facts.rows.filter(({ via }) => via !== null)
  const behind = grouped(pulledFor, ({ via }) => deviceKey(via ?? ''))
  const plan = (key: string, there: Gathered, via?: DeviceFacts['via']): void => {
    const sharing = there.sharedWith
      .map(deviceKey)
      .flatMap((other) => [...(devices.get(other)?.rows ?? []), ...(behind.get(other) ?? [])])
    const deviceFacts: DeviceFacts = {
      ...there,
      over: facts.over,
      notBack: facts.notBack?.has(there.rows[0].device) === true,
      images,
      othersRows: [...(behind.get(key) ?? []), ...sharing],
      via,
    }
    planned.set(key, { plan: planDevice(deviceFacts), facts: deviceFacts })
  }
  for (const [key, there] of devices) if (there.rows[0].via === null) plan(key, there)
  for (const [key, there] of devices) {
    if (!planned.has(key)) plan(key, there, planned.get(deviceKey(there.rows[0].via ?? '')))
  }
  return [...devices.keys()].flatMap((key) => planned.get(key)?.plan ?? [])
}

/** What is in the folder last, since a cell that several versions would fit means the one that is on offer. */
function imagesKnown({ ledgers, present = [] }: PlanFacts): ImageNames {
  const pulled = new Map(ledgers.flatMap(({ pulls }) => pulls.map(({ image }) => [image.sha256, image])))
  const offered = ledgers.flatMap(({ evidence }) => evidence.offers.images())
  return createImageNames([...pulled.values(), ...offered, ...present])
}

export type Stranger = ReturnType<typeof strangerOf>

function strangerOf(pulls: NonEmpty<PullRecord>, finder: DeviceFinder) {
  const [{ client }] = pulls
  const { otherHardware } = finder.find(client)
  return {
    addresses: [...new Set(pulls.flatMap(addressesOf))],
    mac: client.mac,
    pulls,
    remark:
      otherHardware === undefined
        ? null
        : `Its address is the one of ${otherHardware.device} on the sheet, but its hardware address is not (${otherHardware.planned}).`,
  }
}

function countStandings(devices: readonly DevicePlan[]): Partial<Record<Standing, number>> {
  const counts: Partial<Record<Standing, number>> = {}
  for (const { standing } of devices) counts[standing] = (counts[standing] ?? 0) + 1
  return counts
}
