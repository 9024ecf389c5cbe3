/**
 * Whose device a client is, by the visit sheet: by its hardware address, else by its network address. Either decides
 * nothing where several devices of the sheet share it; nor does an address that another hardware address has taken.
 */
import { deviceKey, type PlannedRow } from './sheet-rows.ts'

export interface SeenClient {
  readonly address: string
  /** Where the neighbour table knew it, else null: the client is behind a router, or the system did not tell. */
  readonly mac: string | null
}

export interface FoundDevice {
  /** Those of the sheet that it may be: several where they have one address, or one hardware address. */
  readonly devices: readonly string[]
  /** The address is this device's, but the sheet has another hardware address for it. */
  readonly otherHardware?: { readonly device: string; readonly planned: string }
}

export type DeviceFinder = ReturnType<typeof createDeviceFinder>

const NOBODY: FoundDevice = Object.freeze({ devices: [] })

type Known = Pick<PlannedRow, 'device' | 'mac'>

/** By hardware address or network address, and then by the device's key. */
type Owners = Map<string, Map<string, Known>>

export function createDeviceFinder(rows: readonly PlannedRow[]) {
  const byName = new Map(rows.toReversed().map(({ device }) => [deviceKey(device), device]))
  const byMac: Owners = new Map()
  const byAddress: Owners = new Map()
  // Those that pull themselves first: what stands on the sheet for a device behind another one counts beside it only
  // where it is its own, since what the other pulls for it comes from the other's addresses.
  for (const { device, address, mac, via } of rows.toSorted(pullersFirst)) {
    const known = { device, mac }
    if (mac !== null) addOwner(byMac, mac, known, via === null)
    if (address !== null) addOwner(byAddress, address, known, via === null)
  }

  function findByAddress({ address, mac }: SeenClient): FoundDevice {
    const known = byAddress.get(address)
    if (known === undefined) return NOBODY
    const there = [...known.values()]
    const devices = there.filter((known) => mac === null || known.mac === null).map(({ device }) => device)
    const [taken] = there
    if (devices.length > 0 || taken?.mac == null) return { devices }
    return { devices, otherHardware: { device: taken.device, planned: taken.mac } }
  }

  function find(client: SeenClient): FoundDevice {
    const known = client.mac === null ? undefined : byMac.get(client.mac)
    if (known === undefined) return findByAddress(client)
    return { devices: [...known.values()].map(({ device }) => device) }
  }

  const nameOf = (client: SeenClient): string | null => onlyDevice(find(client))

  return {
    find,
    /** The name where the sheet names one device, else null. */
    nameOf,
    /** The device that a person names, by its name or by one of its addresses. */
    named: (text: string): string | null =>
      byName.get(deviceKey(text)) ??
      nameOf({ address: text, mac: text.toLowerCase() }) ??
      nameOf({ address: text, mac: null }),
  }
}

function addOwner(owners: Owners, value: string, known: Known, pullsItself: boolean): void {
  const key = deviceKey(known.device)
  const there = owners.get(value)
  if (there === undefined) owners.set(value, new Map([[key, known]]))
  else if (pullsItself && !there.has(key)) there.set(key, known)
}

export function onlyDevice({ devices }: FoundDevice): string | null {
  const [only = null, another] = devices
  return another === undefined ? only : null
}

function pullersFirst(a: PlannedRow, b: PlannedRow): number {
  return Number(a.via !== null) - Number(b.via !== null)
}
