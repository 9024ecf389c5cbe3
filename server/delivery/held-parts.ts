/**
 * Which part of which version of an image each client may hold: what it began last, and how far that was handed over.
 * Clients rarely send If-Range with a resume, so the server has to know whether what they hold is of this version.
 */

import type { ClientRef, Entry } from '../ledger/entries.ts'
import { createPassing } from '../lists-by-key.ts'
import { createClients, isOfImage, type LateHardware, type Moment } from './clients.ts'

export type HeldParts = ReturnType<typeof createHeldParts>

/** What a client has of an image, as far as it is on record. */
export type HeldPart = Readonly<Pick<Part, 'sha256' | 'furthest' | 'underWay'>>

interface Part {
  /** Of the version that it asked for from byte 0 last; of the first one on record, when it never did. */
  readonly sha256: string
  /**
   * The furthest byte of it that was handed over since the client turned to this version; without end where that is not
   * known (the server died meanwhile, or the client came with a part already).
   */
  furthest: number
  /** Fetches of it that are under way. */
  underWay: number
  /** Bytes `[0, reach)` were handed over by fetches that have ended. */
  reach: number
  readonly client: ClientRef
  readonly moment: Moment
  /** Whose it is may turn out late to be another's: then this is what was held before. */
  readonly instead: Part | undefined
}

type Parts = Map<string, Part>

export function createHeldParts() {
  // Long: what clients hold; each function is an entry's effect on it or a question to it.
  const clients = createClients<Parts>(() => new Map(), moveLate)
  const open = createPassing<number, { readonly part: Part; readonly first: number }>()

  function begin(entry: Extract<Entry, { kind: 'fetch-begun' }>): void {
    const { id, client, image, first } = entry
    if (image === undefined || !isOfImage(entry)) return
    const { name, sha256 } = image
    const parts = clients.of(client)
    let part = parts.get(name)
    if (part === undefined || (first === 0 && part.sha256 !== sha256)) {
      // One is enough, and a chain of them would grow.
      const instead = part && { ...part, instead: undefined }
      const furthest = first === 0 ? 0 : Number.POSITIVE_INFINITY
      const moment = clients.moment()
      part = { sha256, furthest, underWay: 0, reach: 0, client, moment, instead }
      parts.set(name, part)
    }
    if (part.sha256 !== sha256) return
    part.underWay += 1
    open.set(id, { part, first })
  }

  function end({ id, ending, bytesHandedOver }: Extract<Entry, { kind: 'fetch-ended' }>): void {
    const fetch = open.take(id)
    if (fetch === undefined) return
    const { part, first } = fetch
    part.underWay -= 1
    const handed = ending === 'lost-track' ? Number.POSITIVE_INFINITY : first + bytesHandedOver
    part.furthest = Math.max(part.furthest, handed)
    if (first <= part.reach) part.reach = Math.max(part.reach, handed)
  }

  /** What came before its hardware address was known, and too long ago to be told whose it was, may be its own too. */
  function partOf(client: ClientRef, imageName: string): Part | undefined {
    const own = clients.find(client)?.get(imageName)
    const atAddress = clients.at(client.address)?.get(imageName)
    if (own === undefined || atAddress === undefined) return own ?? atAddress
    return atAddress.moment.order > own.moment.order ? atAddress : own
  }

  return {
    apply(entry: Entry): void {
      clients.apply(entry)
      if (entry.kind === 'fetch-begun') begin(entry)
      else if (entry.kind === 'fetch-ended') end(entry)
    },
    keyOf: clients.keyOf,
    macOf: clients.macOf,
    of: (client: ClientRef, imageName: string): HeldPart | undefined => partOf(client, imageName),
    /** Whether fetches of this version that have ended handed over all before this byte, so that a client may go on there. */
    explained(client: ClientRef, { name, sha256 }: { name: string; sha256: string }, byte: number): boolean {
      const part = partOf(client, name)
      return part?.sha256 === sha256 && part.reach >= byte
    },
  }
}

/** Of two the later one is what the client holds. */
function moveLate({ isOf }: LateHardware, from: Parts, to: Parts): void {
  for (const [name, part] of from) {
    if (!isOf(part.client, part.moment)) continue
    if (part.instead === undefined) from.delete(name)
    else from.set(name, part.instead)
    const there = to.get(name)
    if (there === undefined || there.moment.order < part.moment.order) to.set(name, part)
  }
}
