/** An image as `images --format json`, the page and the report show it. */
import type { Published } from '../ledger/entries.ts'
import type { Base } from '../network/bases.ts'
import type { Image } from '../staging/image.ts'
import { algorithmText } from '../trust/digests/algorithm.ts'

export type ImageView = ReturnType<typeof imageView>

export function imageView(image: Image, bases: readonly Base[]) {
  return {
    name: image.name,
    plainPath: image.plainPath,
    digestPath: image.digestPath ?? null,
    bytes: image.bytes,
    sha256: image.version?.sha256 ?? null,
    crc32: image.version?.crc32 ?? null,
    state: image.state,
    reason: image.reason ?? null,
    notes: image.notes,
    published: image.published,
    format: image.format,
    lifted: image.lifted ?? null,
    /** Share of the digest done, while `reading`. */
    progress: image.progress ?? null,
    /** RFC 3339 UTC, while `settling`. */
    settlesAt: image.settlesAtMs === undefined ? null : new Date(image.settlesAtMs).toISOString(),
    urls: bases.map((base) => base.url + image.plainPath),
  }
}

/** Standing of the published checksum in words: `matches (SHA-256, SHA256SUMS line 3)`. */
export function standingText({
  standing,
  algorithm,
  source,
}: Omit<Published, 'source'> & { readonly source?: string | undefined }): string {
  const named = [algorithm && algorithmText(algorithm), source].filter(
    (part) => part !== undefined && part !== '',
  )
  return named.length === 0 ? standing : `${standing} (${named.join(', ')})`
}
