/**
 * What the ledger knows of images: which file a plain path was offered for, which block lists were recorded, what
 * persons decided. Also turns the catalogue's events into entries, each written once.
 */
import type { Entry, EntryOf, NewEntryOf, Published } from '../ledger/entries.ts'
import type { OnRecord, OnRecordOf } from './catalogue-store.ts'
import { createHolds } from './holds.ts'
import type { Image, Version } from './image.ts'
import { foundText } from './image-words.ts'

export type ImageHistory = ReturnType<typeof createImageHistory>

export interface Pasted {
  readonly name: string
  readonly digests: readonly Pick<EntryOf<'published'>, 'algorithm' | 'digest'>[]
  readonly by: string
}

export function createImageHistory() {
  // Long: what entries have made of images; each function is a question to it.
  const paths = new Map<string, string>()
  const versions = new Map<string, OnRecord>()
  /** Each image as its last entry says, with what the ledger says holds it now, a word for each hold. */
  const present = new Map<string, { sha256: string; essence: string; holds: string[] }>()
  const published: EntryOf<'published'>[] = []
  const strikes = new Set<number>()
  const recorded: OnRecordOf = (name, sha256) => versions.get(`${sha256} ${name}`)
  const holds = createHolds(recorded)

  return {
    /** Takes the next entry of the ledger, of this run or of an earlier one. */
    apply(entry: Entry): void {
      switch (entry.kind) {
        case 'image': {
          const { name, sha256, blocksSha256, crc32, published, format } = entry
          paths.set(entry.plainPath, name)
          versions.set(`${sha256} ${name}`, { blocksSha256, crc32, published, format })
          // It stands otherwise now: where that is a hold, its entry comes next, even with the same reason as before.
          present.set(name, { sha256, essence: essence(entry), holds: [] })
          break
        }
        case 'image-gone':
          present.delete(entry.name)
          break
        case 'held':
          present.get(entry.name)?.holds.push(holdOf(entry))
          break
        case 'lifted':
          present.get(entry.name)?.holds.splice(0)
          break
        case 'published':
          published.push(entry)
          break
        case 'struck':
          strikes.add(entry.strikes)
          break
      }
      holds.apply(entry)
    },
    /** Name of the file to which this plain path (with leading `/`) was given. */
    offered: (path: string): string | undefined => paths.get(path),
    /** What the last entry of this version says. */
    recorded,
    /** What holds a version in which the program found this, after all that persons decided. */
    decide: holds.decide,
    /** The published checksum that this version was last found to differ from. */
    differed(name: string, sha256: string): Published | undefined {
      const published = recorded(name, sha256)?.published
      return published?.standing === 'differs' ? published : undefined
    },
    /** Whether that checksum of the image had been pasted, and the person took it back. */
    struck(name: string, { algorithm, digest, source }: Published): boolean {
      const same = published.filter(
        (entry) =>
          entry.name === name &&
          entry.algorithm === algorithm &&
          // Older ledgers say who pasted it, not what.
          (digest === undefined ? source === `pasted by ${entry.by}` : digest === entry.digest),
      )
      return same.length > 0 && same.every(({ seq }) => strikes.has(seq))
    },
    /** What persons pasted as published for images and did not take back: the latest for each. */
    pasted(): readonly Pasted[] {
      const latest = new Map<string, Omit<Pasted, 'name'> & { group: number }>()
      let group = 0
      for (const entry of published) {
        const { seq, name, also, by } = entry
        if (also !== true) group += 1
        if (strikes.has(seq)) continue
        const before = latest.get(name)
        const goesOn = before?.group === group ? before.digests : []
        latest.set(name, { group, digests: [...goesOn, entry], by })
      }
      return [...latest].map(([name, { digests, by }]) => ({ name, digests, by }))
    },
    /** SHA-256 of the image's last entry, unless `image-gone` has followed it. */
    onRecord: (name: string): string | undefined => present.get(name)?.sha256,
    /** Entries that record this image as it now stands; none when they stand there already. */
    entriesFor(image: Image): readonly (NewEntryOf<'image'> | NewEntryOf<'held'>)[] {
      const { name, version, digestPath } = image
      if (version === undefined || digestPath === undefined) return []
      const entry = imageEntry(image, version, digestPath)
      const holds = heldEntries(image, version.sha256)
      const known = present.get(name)
      if (known?.essence !== essence(entry)) return [entry, ...holds]
      return holds.filter((hold) => !known.holds.includes(holdOf(hold)))
    },
  }
}

/** One for what the program found, one for what a person decided. */
function heldEntries({ name, hold }: Image, sha256: string): NewEntryOf<'held'>[] {
  if (hold === undefined) return []
  const { byHand } = hold
  const found = foundText(hold)
  return [
    ...(found === '' ? [] : [{ kind: 'held' as const, name, sha256, reason: found }]),
    ...(byHand === undefined ? [] : [{ kind: 'held' as const, name, sha256, ...byHand }]),
  ]
}

function holdOf({ sha256, by, reason }: NewEntryOf<'held'>): string {
  return JSON.stringify([sha256, by, reason])
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
