/**
 * Which version of an image was on offer last under its name, and whether it is held now, out of the ledger's entries
 * alone: so that a visit that goes on and its record say the same. What a person struck is left out.
 */
import type { Entry, EntryOf, ImageReference } from '../ledger/entries.ts'
import { byHandText } from '../staging/holds.ts'

/** How a version stands to what is on record of its name. */
export interface VersionOnRecord {
  /** Another version was on offer under the name after it. */
  readonly earlier: boolean
  /** Why it is held now, or was when it went; null when it is not. */
  readonly held: string | null
}

export type Offers = ReturnType<typeof createOffers>

interface Version {
  readonly image: ImageReference
  readonly crc32: string
  /** Holds and lifts since it was judged last, in order. */
  readonly holds: EntryOf<'held' | 'lifted'>[]
}

/** `struck`: the entries, by `seq`, that a person took back. */
export function createOffers(struck: ReadonlySet<number>) {
  /** By name and SHA-256; the last on offer under a name is its last. */
  const byName = new Map<string, Map<string, Version>>()
  let images: readonly ImageReference[] | undefined

  function takeImage({ name, plainPath, bytes, sha256, crc32 }: EntryOf<'image'>): void {
    const versions = byName.get(name) ?? new Map<string, Version>()
    byName.set(name, versions)
    versions.delete(sha256)
    // Judged anew: where that is a hold, its entry comes next.
    versions.set(sha256, { image: { name, plainPath, bytes, sha256 }, crc32, holds: [] })
    images = undefined
  }

  function takeHold(entry: EntryOf<'held' | 'lifted'>): void {
    const versions = byName.get(entry.name)
    const version = entry.sha256 === undefined ? lastOf(versions) : versions?.get(entry.sha256)
    version?.holds.push(entry)
  }

  function heldNow({ holds }: Version): string | null {
    const standing = holds.filter(({ seq }) => !struck.has(seq))
    const sinceLift = standing.slice(standing.findLastIndex(({ kind }) => kind === 'lifted') + 1)
    if (sinceLift.length === 0) return null
    return [...new Set(sinceLift.map(heldText))].join(' ')
  }

  return {
    apply(entry: Entry): void {
      if (entry.kind === 'image') takeImage(entry)
      else if (entry.kind === 'held' || entry.kind === 'lifted') takeHold(entry)
    },
    judge({ name, sha256 }: ImageReference): VersionOnRecord {
      const versions = byName.get(name)
      const version = versions?.get(sha256)
      return {
        earlier: versions !== undefined && lastOf(versions)?.image.sha256 !== sha256,
        held: version === undefined ? null : heldNow(version),
      }
    },
    /** Every version that was on offer, the last one of each name last; the same array until there is another. */
    images(): readonly ImageReference[] {
      images ??= [...byName.values()].flatMap((versions) => [...versions.values()].map(({ image }) => image))
      return images
    },
    /** Of a digest that was printed before its image came, or after it went. */
    withDigest(algorithm: string, value: string): ImageReference | undefined {
      for (const versions of byName.values()) {
        for (const { image, crc32 } of versions.values()) {
          if (value === (algorithm === 'crc32' ? crc32 : image.sha256)) return image
        }
      }
      return undefined
    },
  }
}

function heldText({ by, reason }: EntryOf<'held' | 'lifted'>): string {
  return by === undefined ? reason : byHandText({ by, reason })
}

function lastOf(versions: ReadonlyMap<string, Version> | undefined): Version | undefined {
  return [...(versions?.values() ?? [])].at(-1)
}
