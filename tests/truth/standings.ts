/**
 * Holds the standings of the plan against what each device holds. A false claim is a device that stands as done without
 * holding the version that was last on offer under the planned name, or whose image is held now; a missed one holds it,
 * fetched it so that the server could see it, and is not done.
 */
import type { FetchRecord } from '../../server/delivery/records.ts'
import type { DevicePlan } from '../../server/visit/device-plan.ts'
import type { Plan } from '../../server/visit/plan.ts'
import { STANDINGS } from '../../server/visit/standing-names.ts'
import {
  closedUnseen,
  groupBy,
  heldInSystem,
  metNoKill,
  missedAtMost,
  seenInOrder,
  whoIs,
} from './comparison.ts'
import type { Device } from './device.ts'
import { nameOf } from './fleet.ts'
import type { Images } from './images.ts'

/** What a device holds, by its own truth, best first. */
const HOLDINGS = [
  'last on offer, seen in order',
  'last on offer, not so seen',
  'last on offer, in its system only',
  'last on offer, held now',
  'an earlier version',
  'another image',
  'nothing whole',
] as const
type Holding = (typeof HOLDINGS)[number]

/**
 * Its system took every byte and closed in order while its program read only a part: TCP shows no difference, and only a
 * digest that the device prints would.
 */
const MAY_BE_DONE: ReadonlySet<Holding> = new Set([
  'last on offer, seen in order',
  'last on offer, not so seen',
  'last on offer, in its system only',
])

export interface StandingsComparison {
  readonly faults: readonly string[]
  readonly missed: readonly string[]
  readonly due: number
  readonly dueDone: number
  /** What it holds by where it stands. */
  readonly table: readonly string[]
}

export interface StandingsEvidence {
  readonly devices: readonly Device[]
  readonly images: Images
  readonly held: ReadonlySet<string>
  readonly plan: Plan
  readonly fetches: readonly FetchRecord[]
}

export function compareStandings(evidence: StandingsEvidence): StandingsComparison {
  const { devices, plan } = evidence
  const faults: string[] = []
  const missed: string[] = []
  const counts = new Map<string, number>()
  const planned = new Map(plan.devices.map((row) => [row.device, row]))
  const behind = groupBy(devices, ({ address }) => address)
  const records = groupBy(evidence.fetches, ({ client }) => client.address)
  let due = 0
  let unseen = 0

  if (plan.devices.length !== devices.length) faults.push(`${plan.devices.length} rows in the plan`)
  for (const device of devices) {
    const row = planned.get(nameOf(device))
    if (row === undefined) {
      faults.push(`${whoIs([device])} is not in the plan`)
      continue
    }
    const alone = behind.get(device.address)?.length === 1
    const holding = holdingOf(device, evidence, alone ? (records.get(device.address) ?? []) : undefined)
    const key = `${holding} ${row.standing}`
    counts.set(key, (counts.get(key) ?? 0) + 1)
    if (holding === 'last on offer, seen in order') {
      due += 1
      if (!row.done) missed.push(wordsOf(device, row, holding))
      if (!row.done && closedUnseen(records.get(device.address) ?? [])) unseen += 1
    }
    if (row.done && !MAY_BE_DONE.has(holding)) faults.push(`FALSE STANDING: ${wordsOf(device, row, holding)}`)
    if (row.done !== (row.standing === 'confirmed' || row.standing === 'pulled')) {
      faults.push(`${wordsOf(device, row, holding)}: done is ${row.done}`)
    }
  }
  if (plan.complete && plan.devices.some(({ done }) => !done)) faults.push('the plan is complete, it says')
  for (const { addresses } of plan.strangers) {
    if (addresses.some((address) => behind.has(address)))
      faults.push(`${addresses.join()} is on no row, it says`)
  }
  if (missed.length > missedAtMost(due, unseen)) {
    faults.push(
      `only ${due - missed.length} of ${due} devices that hold the last version, seen in order, are done`,
    )
  }
  return { faults, missed, due, dueDone: due - missed.length, table: tableOf(counts) }
}

/** `records`: of its address, where it is alone behind it. */
function holdingOf(
  device: Device,
  { images, held }: StandingsEvidence,
  records: readonly FetchRecord[] | undefined,
): Holding {
  const last = device.lastWhole()
  const onOffer = images.present(device.planned)
  if (
    last !== onOffer.sha256 &&
    !held.has(device.planned) &&
    heldInSystem(device, onOffer.sha256, onOffer.bytes)
  ) {
    return 'last on offer, in its system only'
  }
  if (last === undefined) return 'nothing whole'
  if (images.version(last)?.image !== device.planned) return 'another image'
  if (onOffer.sha256 !== last) return 'an earlier version'
  if (held.has(device.planned)) return 'last on offer, held now'
  const seen =
    records !== undefined &&
    metNoKill(device, records) &&
    seenInOrder(device, last, images) &&
    device.requests.at(-1)?.target.replace(/^\//, '') === device.planned
  return seen ? 'last on offer, seen in order' : 'last on offer, not so seen'
}

function wordsOf(device: Device, row: DevicePlan, holding: Holding): string {
  const grounds = row.grounds === null ? '' : `, ${row.grounds.kind}`
  return `${nameOf(device)}, ${whoIs([device])}, holds ${holding} and stands as ${row.standing}${grounds}`
}

function tableOf(counts: ReadonlyMap<string, number>): string[] {
  const columns = STANDINGS.filter((standing) =>
    HOLDINGS.some((holding) => counts.has(`${holding} ${standing}`)),
  )
  const width = Math.max(...HOLDINGS.map(({ length }) => length))
  const line = (name: string, cells: readonly (string | number)[]): string =>
    [name.padEnd(width), ...cells.map((cell, at) => String(cell).padStart(columns[at]?.length ?? 0))].join(
      '  ',
    )
  return [
    line('holds', columns),
    ...HOLDINGS.map((holding) =>
      line(
        holding,
        columns.map((standing) => counts.get(`${holding} ${standing}`) ?? 0),
      ),
    ),
  ]
}
