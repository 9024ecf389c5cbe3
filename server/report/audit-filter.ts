/** Which pulls and fetches of the past are asked for. */
import type { FetchRecord, PullRecord } from '../delivery/records.ts'
import type { ImageReference } from '../ledger/entries.ts'

export const AUDIT_FILTERS = [
  /** Address, hardware address or device name. */
  'client',
  /** Name, plain path or the first digits of the SHA-256. */
  'image',
  /** RFC 3339, compared with when the pull or fetch began. */
  'since',
  'until',
  /** Of fetches alone. */
  'ending',
  /** Of pulls alone. */
  'state',
] as const

export type AuditFilter = { readonly [Name in (typeof AUDIT_FILTERS)[number]]?: string }

/** Made once of a filter, since it is asked of every item. */
export function passing(filter: AuditFilter): (item: FetchRecord | PullRecord) => boolean {
  const tests: ((item: FetchRecord | PullRecord) => boolean)[] = []
  const { state, ending } = filter
  if (state !== undefined) tests.push((item) => !('state' in item) || item.state === state)
  if (ending !== undefined) tests.push((item) => !('ending' in item) || item.ending === ending)
  const client = filter.client?.toLowerCase()
  if (client !== undefined) {
    tests.push(({ client: { address, mac, ...named } }) =>
      [address, mac, 'device' in named ? named.device : null].some((name) => name?.toLowerCase() === client),
    )
  }
  const image = filter.image?.toLowerCase()
  if (image !== undefined) tests.push((item) => item.image !== null && isImage(item.image, image))
  if (filter.since !== undefined) {
    const sinceMs = Date.parse(filter.since)
    tests.push(({ begun }) => Date.parse(begun) >= sinceMs)
  }
  if (filter.until !== undefined) {
    const untilMs = Date.parse(filter.until)
    tests.push(({ begun }) => Date.parse(begun) <= untilMs)
  }
  return (item) => tests.every((test) => test(item))
}

/** `wanted` in lower case: a name, a plain path with or without its slash, or the first digits of a SHA-256. */
function isImage({ name, plainPath, sha256 }: ImageReference, wanted: string): boolean {
  const names = [name, plainPath, plainPath.slice(1)].map((each) => each.toLowerCase())
  return names.includes(wanted) || (/^[0-9a-f]{6,64}$/.test(wanted) && sha256.startsWith(wanted))
}
