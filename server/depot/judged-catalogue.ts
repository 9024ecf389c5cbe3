/** The catalogue with its judge: published checksums and format checks, and what the ledger remembers of both. */
import { type Catalogue, type CatalogueOptions, createCatalogue } from '../staging/catalogue.ts'
import type { ImageHistory, Pasted } from '../staging/image-history.ts'
import { isAlgorithm } from '../trust/digests/algorithm.ts'
import { createFormatChecker } from '../trust/formats/check-queue.ts'
import { createJudge } from '../trust/judgement.ts'
import type { Claim } from '../trust/published/comparison.ts'
import { claimOf } from '../trust/published/pasted.ts'
import { createPublishedChecksums } from '../trust/published/published-checksums.ts'

export type JudgedCatalogue = Awaited<ReturnType<typeof openJudgedCatalogue>>

/** Throws FP_FOLDER_MISSING, FP_FOLDER_NOT_FOLDER, FP_FOLDER_UNREADABLE. */
export async function openJudgedCatalogue(settings: CatalogueOptions['settings'], history: ImageHistory) {
  const formats = createFormatChecker()
  // Nothing is judged before the catalogue is there: it waits for its listeners.
  let opened: Catalogue | undefined
  const checksums = createPublishedChecksums({
    imageNames: () => opened?.names() ?? NO_NAMES,
  })
  for (const { name, digests, by } of history.pasted()) checksums.paste(name, claimsOnRecord(digests, by))
  try {
    const catalogue = await createCatalogue({
      settings,
      judge: createJudge({
        folder: settings.folder,
        checksums,
        formats,
        differed: history.differed,
        struck: history.struck,
      }),
      offered: history.offered,
      recorded: history.recorded,
      decide: history.decide,
    })
    opened = catalogue
    return {
      catalogue,
      /** What a person pasted as published for an image, in the place of what was pasted before; `rejudge` follows. */
      paste: checksums.paste,
      /** What was read of checksum texts and is used for no image; the same array until that changes. */
      unused: checksums.unused,
      async close(): Promise<void> {
        await catalogue.close()
        await formats.close()
      },
    }
  } catch (error) {
    await formats.close()
    throw error
  }
}

/** What stands in the ledger as pasted. */
export function claimsOnRecord(digests: Pasted['digests'], by: string): Claim[] {
  return digests.flatMap(({ algorithm, digest }) =>
    isAlgorithm(algorithm) ? [claimOf({ algorithm, digest }, by)] : [],
  )
}

const NO_NAMES: readonly string[] = []
