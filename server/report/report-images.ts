/** The images of a visit as the record lists them: a version each, with what became of it. */
import type { PullRecord } from '../delivery/records.ts'
import type { Format, Published } from '../ledger/entries.ts'
import { createImageNames } from '../visit/planned-image.ts'
import type { PlannedRow } from '../visit/sheet-rows.ts'
import type { FolderFacts } from './visit-facts.ts'

export interface ReportImage {
  readonly name: string
  readonly plainPath: string
  readonly bytes: number
  readonly sha256: string
  readonly published: Published
  readonly format: Format
  readonly notes: readonly string[]
  /** When it was first known, and when it went. */
  readonly since: string
  readonly gone: string | null
  readonly held: string | null
  readonly lifted: { readonly at: string; readonly by: string; readonly reason: string } | null
  readonly planned: boolean
  /** Pulls of this version that are complete or unconfirmed. */
  readonly pulls: number
}

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
      const about = folder.aboutImages.filter(
        ({ name, sha256 }) => name === entry.name && sha256 === entry.sha256,
      )
      const lifted = about.findLast((other) => other.kind === 'lifted')
      const gone = about.find((other) => other.kind === 'image-gone' && other.seq > entry.seq)
      images.set(key, {
        name: entry.name,
        plainPath: entry.plainPath,
        bytes: entry.bytes,
        sha256: entry.sha256,
        published: entry.published,
        format: entry.format,
        notes: entry.notes,
        since: images.get(key)?.since ?? entry.at,
        gone: gone?.at ?? null,
        held: folder.evidence.offers.judge(entry).held,
        lifted: lifted === undefined ? null : { at: lifted.at, by: lifted.by, reason: lifted.reason },
        planned: rows.some((row) => row.image !== null && known.names(row.image, entry)),
        pulls: pulls.filter(
          ({ image, state }) =>
            image.sha256 === entry.sha256 &&
            image.name === entry.name &&
            (state === 'complete' || state === 'unconfirmed'),
        ).length,
      })
    }
  }
  return [...images.values()]
}
