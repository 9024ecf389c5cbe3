/** The images of a visit as the record lists them: a version each, with what became of it. */
import type { PullRecord } from '../delivery/records.ts'
import type { EntryOf } from '../ledger/entries.ts'
import { createImageNames } from '../visit/planned-image.ts'
import type { PlannedRow } from '../visit/sheet-rows.ts'
import type { FolderFacts } from './visit-facts.ts'

export type ReportImage = ReturnType<typeof reportImage>

/** One a version: the last entry about it counts, its first one says since when it was there. */
export function reportImages(
  folders: readonly FolderFacts[],
  rows: readonly PlannedRow[],
  pulls: readonly PullRecord[],
): ReportImage[] {
  const images = new Map<string, ReportImage>()
  const known = createImageNames(folders.flatMap((folder) => folder.images))
  for (const folder of folders) {
    for (const entry of folder.images) {
      const key = `${entry.sha256} ${entry.name}`
      const since = images.get(key)?.since ?? entry.at
      const planned = rows.some((row) => row.image !== null && known.names(row.image, entry))
      images.set(key, reportImage(entry, folder, pulls, { since, planned }))
    }
  }
  return [...images.values()]
}

/** The version that was pulled. */
export function imageOf(
  { images }: { readonly images: readonly ReportImage[] },
  pull: PullRecord | null,
): ReportImage | undefined {
  return images.find(({ sha256, name }) => sha256 === pull?.image.sha256 && name === pull.image.name)
}

function reportImage(
  entry: EntryOf<'image'>,
  { aboutImages, evidence }: FolderFacts,
  all: readonly PullRecord[],
  { since, planned }: { since: string; planned: boolean },
) {
  const { name, plainPath, bytes, sha256, published, format, notes } = entry
  const isThis = (other: { name: string; sha256: string }): boolean =>
    other.name === name && other.sha256 === sha256
  const about = aboutImages.filter(isThis)
  const lifted = about.findLast((other) => other.kind === 'lifted')
  const gone = about.find((other) => other.kind === 'image-gone' && other.seq > entry.seq)
  const pulls = all.filter(
    ({ image, state }) => isThis(image) && (state === 'complete' || state === 'unconfirmed'),
  )
  return {
    name,
    plainPath,
    bytes,
    sha256,
    published,
    format,
    notes,
    /** When it was first known, and when it went. */
    since,
    gone: gone?.at ?? null,
    held: evidence.offers.judge(entry).held,
    lifted: lifted === undefined ? null : { at: lifted.at, by: lifted.by, reason: lifted.reason },
    planned,
    /** Pulls of this version that are complete or unconfirmed. */
    pulls: pulls.length,
  }
}
