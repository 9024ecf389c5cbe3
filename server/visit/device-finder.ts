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

export type FoundDevice =
  | { readonly kind: 'one'; readonly device: string }
  /** Several devices of the sheet have this address, or this hardware address. */
  | { readonly kind: 'several'; readonly devices: readonly string[] }
  /** The address is a device's, but the sheet has another hardware address for it. */
  | { readonly kind: 'other hardware'; readonly device: string; readonly planned: string }
  | { readonly kind: 'none' }

export type DeviceFinder = ReturnType<typeof createDeviceFinder>

const NOBODY: FoundDevice = Object.freeze({ kind: 'none' })

interface Known {
  readonly device: string
  readonly mac: string | null
}

/** By hardware address or network address, and then by the device's key. */
type Owners = Map<string, Map<string, Known>>

export function createDeviceFinder(rows: readonly PlannedRow[]) {
  const byName = new Map(rows.toReversed().map(({ device }) => [deviceKey(device), device]))
  const byMac: Owners = new Map()
  const byAddress: Owners = new Map()
  // Those that pull themselves first: what stands on the sheet for a device behind another one counts beside it only
  // where it is its own, since what the other pulls for it comes from the other's addresses.
  for (const { device, address, mac, via } of [...rows].sort(pullersFirst)) {
    const known = { device, mac }
    if (mac !== null) addOwner(byMac, mac, known, via === null)
    if (address !== null) addOwner(byAddress, address, known, via === null)
  }

  function findByAddress({ address, mac }: SeenClient): FoundDevice {
    const known = byAddress.get(address)
    if (known === undefined) return NOBODY
    const there = [...known.values()]
    const possible = there.filter((known) => mac === null || known.mac === null)
    if (possible.length > 0) return oneOrSeveral(possible)
    const [taken] = there
    if (taken?.mac == null) return NOBODY
    return { kind: 'other hardware', device: taken.device, planned: taken.mac }
  }

  function find(client: SeenClient): FoundDevice {
    const known = client.mac === null ? undefined : byMac.get(client.mac)
    return known === undefined ? findByAddress(client) : oneOrSeveral([...known.values()])
  }

  function nameOf(client: SeenClient): string | null {
    const found = find(client)
    return found.kind === 'one' ? found.device : null
  }

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

function oneOrSeveral(known: readonly Known[]): FoundDevice {
  const devices = known.map(({ device }) => device)
  const [device = ''] = devices
  return devices.length > 1 ? { kind: 'several', devices } : { kind: 'one', device }
}

function pullersFirst(a: PlannedRow, b: PlannedRow): number {
  return Number(a.via !== null) - Number(b.via !== null)
}
