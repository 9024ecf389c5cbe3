/**
 * What the catalogue offers: an image, its version (bytes named by their SHA-256), and how a request finds it.
 * The state machine is in state.ts.
 */
import type { FileIdentity } from '../files/folder.ts'
import type { Format, ImageReference, Published } from '../ledger/entries.ts'
import type { Decision, Hold } from './holds.ts'

export const IMAGE_STATES = ['settling', 'reading', 'locked', 'ready', 'held'] as const
export type ImageState = (typeof IMAGE_STATES)[number]

/** The bytes of an image, read once: digests of the whole and of every block. */
export interface Version {
  readonly sha256: string
  readonly bytes: number
  readonly crc32: string
  readonly blockBytes: number
  /** 32 bytes a block, in order; the last block may be short. Empty for an empty file. */
  readonly blocks: Uint8Array
  /** SHA-256 (hex) over `blocks`; stands in the ledger's `image` entry. */
  readonly blocksSha256: string
  readonly identity: FileIdentity
  /** Where a copy that broke off may have left out bytes. */
  readonly gaps?: 'only zeros' | 'zeros at the end' | 'end unwritten' | 'holes'
  /** Lower-case hex by algorithm name (`md5`, `sha1`, `sha512`, …), as far as they have been computed. */
  readonly more: Readonly<Record<string, string>>
}

export interface Image {
  /** Path within the staging folder, `/` between folders, letter for letter as the file system gives it. */
  readonly name: string
  /** Absolute path of the file. */
  readonly file: string
  /** URL path with leading `/`; provisional until the digest is known (see naming.ts). */
  readonly plainPath: string
  /** `/` + 8 hex digits + extension; absent until the digest is known. */
  readonly digestPath?: string
  readonly bytes: number
  readonly modifiedMs: number
  readonly state: ImageState
  /** Why it is not ready, in words a person can act on. */
  readonly reason?: string
  /** Share of the digest done, 0 to 1, while `reading`. */
  readonly progress?: number
  /** When settling ends if nothing moves any more, in ms since the epoch. */
  readonly settlesAtMs?: number
  readonly version?: Version
  readonly published: Published
  readonly format: Format
  readonly notes: readonly string[]
  /** While `held`. */
  readonly hold?: Hold
  /** A person lifted what would hold this version. */
  readonly lifted?: Decision
}

/** A `ready` image: what may be sent. */
export type ReadyImage = Image & {
  readonly state: 'ready'
  readonly version: Version
  readonly digestPath: string
}

export function isJudged({ state }: Image): boolean {
  return state === 'ready' || state === 'held'
}

export function isReady(image: Image): image is ReadyImage {
  return image.state === 'ready' && image.version !== undefined && image.digestPath !== undefined
}

/** As entries name it. Before its digest is known it can be named, not recognised by its digest. */
export function referenceOf({ name, plainPath, bytes, version }: Image): ImageReference {
  return { name, plainPath, bytes: version?.bytes ?? bytes, sha256: version?.sha256 ?? '' }
}

export type FoundImage =
  | {
      readonly kind: 'image'
      readonly image: Image
      readonly by: 'plain' | 'digest' | 'name' | 'letter case'
    }
  /** `/PATH.sha256` */
  | { readonly kind: 'checksum'; readonly image: Image }
  /** `/SHA256SUMS`; whether it is offered is for admission to say. */
  | { readonly kind: 'list' }
  | { readonly kind: 'none'; readonly nearest?: string }

export interface CatalogueEvents {
  /** Any visible member of an image changed; also for progress (at most 10 a second an image). */
  changed: [image: Image]
  /** A version came to be known and judged (state `ready` or `held`). */
  judged: [image: Image]
  /** The version is no longer on disk (removed or replaced); fetches of it must end. */
  lost: [image: Image, why: 'removed' | 'changed' | 'held']
  gone: [image: Image]
  /** What is said of files that are not offered changed. */
  notOffered: []
  /** Something about watching that a person should know, e.g. polling because events failed. */
  trouble: [message: string]
}
