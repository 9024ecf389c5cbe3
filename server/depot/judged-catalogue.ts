/** The catalogue with its judge: published checksums and format checks, and what the ledger remembers of both. */

import { type Catalogue, type CatalogueOptions, createCatalogue } from '../staging/catalogue.ts'
import type { ImageHistory } from '../staging/image-history.ts'
import { createFormatChecker } from '../trust/formats/checker.ts'
import { createJudge } from '../trust/judgement.ts'
import { createPublishedBook, type Unmatched } from '../trust/published/book.ts'
import { type Claim, claimsInText } from '../trust/published/claims.ts'

export interface JudgedCatalogue {
  readonly catalogue: Catalogue
  /** What a person pasted as published for an image, in the place of what was pasted before; `rejudge` follows. */
  paste(imageName: string, claims: readonly Claim[]): void
  /** Published checksums that name files which are not there, and lines that could not be read. */
  unmatched(): readonly Unmatched[]
  close(): Promise<void>
}

/** Throws FP_FOLDER_MISSING, FP_FOLDER_NOT_FOLDER, FP_FOLDER_UNREADABLE. */
export async function openJudgedCatalogue(
  settings: CatalogueOptions['settings'],
  history: ImageHistory,
): Promise<JudgedCatalogue> {
  const formats = createFormatChecker()
  // Nothing is judged before the catalogue is there: it waits for its listeners.
  let opened: Catalogue | undefined
  const book = createPublishedBook({
    imageNames: () => opened?.names() ?? NO_NAMES,
  })
  for (const { name, text, by } of history.pasted()) book.paste(name, claimsInText(text, by))
  try {
    const catalogue = await createCatalogue({
      settings,
      judge: createJudge({
        folder: settings.folder,
        book,
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
      paste: book.paste,
      unmatched: book.unmatched,
      async close() {
        await catalogue.close()
        await formats.close()
      },
    }
  } catch (error) {
    await formats.close()
    throw error
  }
}

const NO_NAMES: readonly string[] = []
