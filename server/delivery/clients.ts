/**
 * Who a client is: its hardware address where the entries know it, else its network address; and something kept for
 * each. Devices come to one network address one after another (each with its maker's factory address, on one bench), so
 * a hardware address that is learnt late belongs to what its network address began shortly before, and to nothing
 * earlier.
 */
import type { ClientRef, Entry } from '../ledger/entries.ts'

/** What a network address began without a hardware address from `sinceMs` on is of `mac`. */
export interface LateHardware {
  readonly address: string
  readonly mac: string
  readonly sinceMs: number
}

export interface Clients<T> {
  /** Every entry, in order, before anything is asked about it. */
  apply(entry: Entry): void
  keyOf(client: ClientRef): string
  macOf(client: ClientRef): string | null
  /** Made when there is nothing yet. */
  of(client: ClientRef): T
  find(client: ClientRef): T | undefined
  /** What is kept for a network address whose hardware address was not known. */
  at(address: string): T | undefined
  all(): Iterable<T>
}

interface ClientsOptions<T> {
  readonly make: () => T
  /** Takes what is of this hardware address out of one and puts it into the other. */
  readonly move: (late: LateHardware, from: T, to: T) => void
}

/** Between the first packets of a device and its place in the system's neighbour table, asked for at once. */
const LEARNT_WITHIN_MS = 20_000

/** After so long without an entry a run may be at another site, where another device has the network address. */
const ANOTHER_SITE_MS = 60 * 60_000

export function createClients<T>({ make, move }: ClientsOptions<T>): Clients<T> {
  const macs = new Map<string, string>()
  const kept = new Map<string, T>()
  /** When the latest entry was written; read as a time only where that matters, since there may be a million. */
  let latestAt = ''

  const keyOf = ({ address, mac }: ClientRef): string => mac ?? macs.get(address) ?? address

  function keptFor(key: string): T {
    const there = kept.get(key)
    if (there !== undefined) return there
    const fresh = make()
    kept.set(key, fresh)
    return fresh
  }

  function learn(address: string, mac: string, at: string): void {
    const before = macs.get(address)
    if (before === mac) return
    macs.set(address, mac)
    const late = { address, mac, sinceMs: Date.parse(at) - LEARNT_WITHIN_MS }
    // Without its own, it was taken for the address alone, or for the hardware that was there before.
    for (const key of before === undefined ? [address] : [address, before]) {
      const from = kept.get(key)
      if (from !== undefined) move(late, from, keptFor(mac))
    }
  }

  return {
    apply(entry) {
      if (entry.kind === 'opened' && Date.parse(entry.at) - Date.parse(latestAt) > ANOTHER_SITE_MS)
        macs.clear()
      latestAt = entry.at
      if (entry.kind === 'neighbour') learn(entry.address, entry.mac, entry.at)
      if (entry.kind !== 'fetch-begun' || !isOfImage(entry)) return
      const { address, mac } = entry.client
      if (mac !== undefined) learn(address, mac, entry.at)
    },
    keyOf,
    macOf: ({ address, mac }) => mac ?? macs.get(address) ?? null,
    of: (client) => keptFor(keyOf(client)),
    find: (client) => kept.get(keyOf(client)),
    at: (address) => kept.get(address),
    all: () => kept.values(),
  }
}

/** A fetch that promises bytes of an image to a device. */
export function isOfImage({ image, promised, rehearsal }: FetchBegun): boolean {
  return image !== undefined && promised > 0 && rehearsal !== true
}

type FetchBegun = Pick<Extract<Entry, { kind: 'fetch-begun' }>, 'image' | 'promised' | 'rehearsal'>
