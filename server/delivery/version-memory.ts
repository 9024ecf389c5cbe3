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

export function createVersionMemory(clientKey: (client: ClientRef) => string): VersionMemory {
  const begun = new Map<string, string>()
  const key = (client: ClientRef, imageName: string): string => `${clientKey(client)} ${imageName}`
  return {
    take(entry) {
      if (entry.kind !== 'fetch-begun' || entry.promised === 0 || entry.rehearsal === true) return
      begun.set(key(entry.client, entry.image.name), entry.image.sha256)
    },
    begunBy: (client, imageName) => begun.get(key(client, imageName)),
  }
}
