/**
 * Which version of each image every client began last. Clients rarely send If-Range with a resume, so the server
 * has to know whether the part they hold is of this version.
 */
import type { ClientRef, Entry } from '../ledger/entries.ts'

export interface VersionMemory {
  take(entry: Entry): void
  /** SHA-256 of the version of this image that the client began last, if any. */
  begunBy(client: ClientRef, imageName: string): string | undefined
}

interface Begun {
  readonly sha256: string
  /** Counts what was begun. */
  readonly order: number
}

/** What a client began is kept under both addresses: the hardware address may become known only before its resume. */
export function createVersionMemory(): VersionMemory {
  const macs = new Map<string, string>()
  const begun = new Map<string, Map<string, Begun>>()
  let order = 0

  function remember(who: string, imageName: string, what: Begun): void {
    const images = begun.get(who) ?? new Map<string, Begun>()
    begun.set(who, images)
    if (what.order > (images.get(imageName)?.order ?? 0)) images.set(imageName, what)
  }

  function namesOf(client: ClientRef): string[] {
    const mac = client.mac ?? macs.get(client.address)
    return mac === undefined ? [client.address] : [client.address, mac]
  }

  return {
    take(entry) {
      if (entry.kind === 'neighbour') {
        macs.set(entry.address, entry.mac)
        for (const [imageName, what] of begun.get(entry.address) ?? []) remember(entry.mac, imageName, what)
      }
      if (entry.kind !== 'fetch-begun' || entry.promised === 0 || entry.rehearsal === true) return
      const { image, client } = entry
      if (image === undefined) return
      if (client.mac !== undefined) macs.set(client.address, client.mac)
      order += 1
      const what = { sha256: image.sha256, order }
      for (const who of namesOf(client)) remember(who, image.name, what)
    },
    begunBy(client, imageName) {
      const known = namesOf(client).flatMap((who) => begun.get(who)?.get(imageName) ?? [])
      return known.sort((a, b) => b.order - a.order)[0]?.sha256
    },
  }
}
