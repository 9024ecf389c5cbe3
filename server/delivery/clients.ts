/**
 * Who a client is: its hardware address where the entries know it, else its network address; and something kept for
 * each. Devices come to one network address one after another (each with its maker's factory address, on one bench), so
 * a hardware address that is learnt late belongs to what its network address began shortly before, and to nothing
 * earlier; nor to what began before another one was last seen there.
 */
import type { ClientRef, Entry } from '../ledger/entries.ts'

/** What this network address began without a hardware address, at such moments, is of `mac`. */
export interface LateHardware {
  readonly mac: string
  isOf(client: ClientRef, begun: Moment): boolean
}

/** When an entry came: of the clocks the one that only goes forward counts, within one run and where it is on record. */
export interface Moment {
  /** Counts entries. */
  readonly order: number
  readonly at: string
  readonly run: number
  readonly upMs: number | undefined
}

export type Clients<T> = ReturnType<typeof createClients<T>>

/** Between the first packets of a device and its place in the system's neighbour table, asked for at once. */
const LEARNT_WITHIN_MS = 20_000

/** After so long without an entry a run may be at another site, where another device has the network address. */
const ANOTHER_SITE_MS = 60 * 60_000

/** `move` takes what is of a hardware address out of one and puts it into the other. */
export function createClients<T>(make: () => T, move: (late: LateHardware, from: T, to: T) => void) {
  // Long: one table of clients; learning an address moves what is kept under another.
  const macs = new Map<string, { readonly mac: string; readonly seenAt: number }>()
  const kept = new Map<string, T>()
  // Read as a time only where that matters, since there may be a million.
  let at = ''
  let order = 0
  let run = 0
  let upMs: number | undefined

  const macOf = ({ address, mac }: ClientRef): string | null => mac ?? macs.get(address)?.mac ?? null
  const keyOf = (client: ClientRef): string => macOf(client) ?? client.address

  function keptFor(key: string): T {
    const there = kept.get(key)
    if (there !== undefined) return there
    const fresh = make()
    kept.set(key, fresh)
    return fresh
  }

  function learn(address: string, mac: string): void {
    const before = macs.get(address)
    macs.set(address, { mac, seenAt: order })
    if (before?.mac === mac) return
    const late: LateHardware = {
      mac,
      isOf: (client, begun) =>
        client.address === address &&
        client.mac === undefined &&
        begun.order > (before?.seenAt ?? 0) &&
        isRecent(begun),
    }
    // Without its own, it was taken for the address alone, or for the hardware that was there before.
    for (const key of before === undefined ? [address] : [address, before.mac]) {
      const from = kept.get(key)
      if (from !== undefined) move(late, from, keptFor(mac))
    }
  }

  function isRecent(begun: Moment): boolean {
    if (begun.run === run && begun.upMs !== undefined && upMs !== undefined)
      return upMs - begun.upMs <= LEARNT_WITHIN_MS
    return Date.parse(at) - Date.parse(begun.at) <= LEARNT_WITHIN_MS
  }

  return {
    /** Every entry, in order, before anything is asked about it. */
    apply(entry: Entry): void {
      order += 1
      if (entry.kind === 'opened') {
        run += 1
        upMs = undefined
        if (Date.parse(entry.at) - Date.parse(at) > ANOTHER_SITE_MS) macs.clear()
      }
      at = entry.at
      if (entry.kind === 'neighbour') learn(entry.address, entry.mac)
      if (entry.kind !== 'fetch-begun') return
      upMs = entry.upMs ?? upMs
      const { address, mac } = entry.client
      if (mac !== undefined && isOfImage(entry)) learn(address, mac)
    },
    /** Of the entry applied last. */
    moment: (): Moment => ({ order, at, run, upMs }),
    keyOf,
    macOf,
    /** Made when there is nothing yet. */
    of: (client: ClientRef): T => keptFor(keyOf(client)),
    find: (client: ClientRef): T | undefined => kept.get(keyOf(client)),
    /** What is kept for a network address whose hardware address was not known. */
    at: (address: string): T | undefined => kept.get(address),
    all: (): Iterable<T> => kept.values(),
  }
}

/** A fetch that promises bytes of an image to a device. */
export function isOfImage({ image, promised, rehearsal }: FetchBegun): boolean {
  return image !== undefined && promised > 0 && rehearsal !== true
}

type FetchBegun = Pick<Extract<Entry, { kind: 'fetch-begun' }>, 'image' | 'promised' | 'rehearsal'>
