/**
 * What the ledger knows of images: which file a plain path was offered for, which block lists were recorded,
 * which holds were lifted. Also turns the catalogue's news into entries, each written once.
 */
import type { Entry, NewEntryOf, Published } from '../ledger/entries.ts'
import type { OnRecord, Recorded } from './catalogue-store.ts'
import type { Image, Version } from './image.ts'

export interface ImageHistory {
  /** Takes the next entry of the ledger, of this run or of an earlier one. */
  take(entry: Entry): void
  /** Name of the file to which this plain path (with leading `/`) was given. */
  offered(path: string): string | undefined
  /** What the last entry of this version says. */
  readonly recorded: Recorded
  lift(name: string, sha256: string): { by: string; reason: string } | undefined
  /** The published checksum that this version was last found to differ from. */
  differed(name: string, sha256: string): Published | undefined
  /** What persons pasted as published for images: the latest text for each, one digest a line. */
  pasted(): readonly { name: string; text: string; by: string }[]
  /** SHA-256 of the image's last entry, unless `image-gone` has followed it. */
  onRecord(name: string): string | undefined
  /** Entries that record this image as it now stands; none when they stand there already. */
  entriesFor(image: Image): readonly (NewEntryOf<'image'> | NewEntryOf<'held'>)[]
}

export function createImageHistory(): ImageHistory {
  const paths = new Map<string, string>()
  const versions = new Map<string, OnRecord>()
  const lifts = new Map<string, { by: string; reason: string }>()
  const present = new Map<string, { sha256: string; essence: string }>()
  const held = new Map<string, string>()
  const pasted = new Map<string, { digests: string[]; by: string }>()
  const key = (name: string, sha256: string): string => `${sha256} ${name}`

  function take(entry: Entry): void {
    switch (entry.kind) {
      case 'image':
        paths.set(entry.plainPath, entry.name)
        versions.set(key(entry.name, entry.sha256), {
          blocksSha256: entry.blocksSha256,
          crc32: entry.crc32,
          published: entry.published,
          format: entry.format,
        })
        present.set(entry.name, { sha256: entry.sha256, essence: essence(entry) })
        // It stands otherwise now: where that is a hold, its entry comes next, be it with the same reason as before.
        held.delete(entry.name)
        break
      case 'image-gone':
        present.delete(entry.name)
        held.delete(entry.name)
        break
      case 'held':
        held.set(entry.name, `${entry.sha256} ${entry.reason}`)
        if (entry.sha256 !== undefined) lifts.delete(key(entry.name, entry.sha256))
        break
      case 'published': {
        const before = entry.also === true ? (pasted.get(entry.name)?.digests ?? []) : []
        pasted.set(entry.name, { digests: [...before, entry.digest], by: entry.by })
        break
      }
      case 'lifted':
        lifts.set(key(entry.name, entry.sha256), { by: entry.by, reason: entry.reason })
        held.delete(entry.name)
        break
    }
  }

  return {
    take,
    offered: (path) => paths.get(path),
    recorded: (name, sha256) => versions.get(key(name, sha256)),
    lift: (name, sha256) => lifts.get(key(name, sha256)),
    differed(name, sha256) {
      const published = versions.get(key(name, sha256))?.published
      return published?.standing === 'differs' ? published : undefined
    },
    pasted: () => [...pasted].map(([name, { digests, by }]) => ({ name, text: digests.join('\n'), by })),
    onRecord: (name) => present.get(name)?.sha256,
    entriesFor(image) {
      const entries: (NewEntryOf<'image'> | NewEntryOf<'held'>)[] = []
      const { name, version, digestPath } = image
      if (version !== undefined && digestPath !== undefined) {
        const entry = imageEntry(image, version, digestPath)
        if (present.get(name)?.essence !== essence(entry)) entries.push(entry)
      }
      if (image.state === 'held') {
        const sha256 = version?.sha256
        const reason = image.reason ?? 'no reason given'
        if (held.get(name) !== `${sha256} ${reason}`) {
          entries.push({ kind: 'held', name, ...(sha256 !== undefined && { sha256 }), reason })
        }
      }
      return entries
    },
  }
}

function imageEntry(image: Image, version: Version, digestPath: string): NewEntryOf<'image'> {
  return {
    kind: 'image',
    name: image.name,
    plainPath: image.plainPath,
    digestPath,
    bytes: version.bytes,
    sha256: version.sha256,
    crc32: version.crc32,
    blockBytes: version.blockBytes,
    blocksSha256: version.blocksSha256,
    modified: new Date(image.modifiedMs).toISOString(),
    published: image.published,
    format: image.format,
    notes: [...image.notes],
  }
}

/** What makes an image entry worth writing again when it differs. */
function essence(entry: NewEntryOf<'image'>): string {
  const { plainPath, sha256, blocksSha256, published, format, notes } = entry
  return JSON.stringify([plainPath, sha256, blocksSha256, published, format, notes])
}
