/** An image as `images --format json`, the page and the report show it. */
import type { Format, Published } from '../ledger/entries.ts'
import type { Base } from '../network/bases.ts'
import type { Image, ImageState } from '../staging/image.ts'
import { algorithmText } from '../trust/digests/algorithm.ts'

export interface ImageView {
  readonly name: string
  readonly plainPath: string
  readonly digestPath: string | null
  readonly bytes: number
  readonly sha256: string | null
  readonly crc32: string | null
  readonly state: ImageState
  readonly reason: string | null
  readonly notes: readonly string[]
  readonly published: Published
  readonly format: Format
  readonly lifted: { readonly by: string; readonly reason: string } | null
  /** Share of the digest done, while `reading`. */
  readonly progress: number | null
  /** RFC 3339 UTC, while `settling`. */
  readonly settlesAt: string | null
  readonly urls: readonly string[]
}

export function imageView(image: Image, bases: readonly Base[]): ImageView {
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
    progress: image.progress ?? null,
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
