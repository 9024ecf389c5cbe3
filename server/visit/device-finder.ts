/**
 * Whose device a client is, by the visit sheet: by its hardware address, else by its network address. An address
 * that several devices of the sheet share, or one that another hardware address has taken, decides nothing.
 */
import { deviceKey, type PlannedRow } from './sheet-rows.ts'

export interface SeenClient {
  readonly address: string
  /** Where the neighbour table knew it, else null: the client is behind a router, or the system did not tell. */
  readonly mac: string | null
}

export type FoundDevice =
  | { readonly kind: 'one'; readonly device: string }
  /** Several devices of the sheet have this address. */
  | { readonly kind: 'several'; readonly devices: readonly string[] }
  /** The address is a device's, but the sheet has another hardware address for it. */
  | { readonly kind: 'other hardware'; readonly device: string; readonly planned: string }
  | { readonly kind: 'none' }

export interface DeviceFinder {
  find(client: SeenClient): FoundDevice
  /** The name where the sheet names one device, else null. */
  nameOf(client: SeenClient): string | null
  /** The device that a person names, by its name or by one of its addresses. */
  named(text: string): string | null
}

const NOBODY: FoundDevice = Object.freeze({ kind: 'none' })

interface Known {
  readonly device: string
  readonly mac: string | null
}

export function createDeviceFinder(rows: readonly PlannedRow[]): DeviceFinder {
  const byName = new Map(rows.toReversed().map(({ device }) => [deviceKey(device), device]))
  const byMac = new Map<string, string>()
  const byAddress = new Map<string, Map<string, Known>>()
  // Those that pull themselves first: what stands on the sheet for a device behind another one counts beside it only
  // where it is its own, since what the other pulls for it comes from the other's addresses.
  for (const { device, address, mac, via } of [...rows].sort(pullersFirst)) {
    const key = deviceKey(device)
    if (mac !== null && !byMac.has(mac)) byMac.set(mac, device)
    if (address === null) continue
    const there = byAddress.get(address)
    if (there === undefined) byAddress.set(address, new Map([[key, { device, mac }]]))
    else if (via === null) there.set(key, there.get(key) ?? { device, mac })
  }

  function findByAddress({ address, mac }: SeenClient): FoundDevice {
    const known = byAddress.get(address)
    if (known === undefined) return NOBODY
    const there = [...known.values()]
    const possible = there.filter((known) => mac === null || known.mac === null)
    const [first, ...others] = possible
    if (first === undefined) {
      const [taken] = there
      if (taken?.mac == null) return NOBODY
      return { kind: 'other hardware', device: taken.device, planned: taken.mac }
    }
    if (others.length > 0) return { kind: 'several', devices: possible.map(({ device }) => device) }
    return { kind: 'one', device: first.device }
  }

  function find(client: SeenClient): FoundDevice {
    const device = client.mac === null ? undefined : byMac.get(client.mac)
    return device === undefined ? findByAddress(client) : { kind: 'one', device }
  }

  function nameOf(client: SeenClient): string | null {
    const found = find(client)
    return found.kind === 'one' ? found.device : null
  }

  return {
    find,
    nameOf,
    named: (text) =>
      byName.get(deviceKey(text)) ??
      nameOf({ address: text, mac: text.toLowerCase() }) ??
      nameOf({ address: text, mac: null }),
  }
}

function pullersFirst(a: PlannedRow, b: PlannedRow): number {
  return Number(a.via !== null) - Number(b.via !== null)
}
