/** The cell `image` (or `rollback`) of a visit sheet against an image: plain path, original name, digest's digits. */
import type { ImageReference } from '../ledger/entries.ts'

/** Fewer digits of a digest than this name nothing. */
const FEWEST_DIGITS = 6

/** True when the cell names this image. Letter case and Unicode form do not count; a digest path does too. */
export function namesImage(cell: string, image: ImageReference): boolean {
  const wanted = plain(cell)
  if (wanted === plain(image.plainPath) || wanted === plain(image.name)) return true
  const digits = digitsOf(wanted)
  return digits !== undefined && image.sha256.startsWith(digits)
}

/** The same question about many images, asked for many cells. */
export function createImageNames(images: readonly ImageReference[]): { has(cell: string): boolean } {
  const names = new Set(images.flatMap(({ plainPath, name }) => [plain(plainPath), plain(name)]))
  const digests = [...new Set(images.map(({ sha256 }) => sha256))]
  const known = new Map<string, boolean>()
  return {
    has(cell) {
      const asked = known.get(cell)
      if (asked !== undefined) return asked
      const wanted = plain(cell)
      const digits = digitsOf(wanted)
      const has =
        names.has(wanted) || (digits !== undefined && digests.some((sha256) => sha256.startsWith(digits)))
      known.set(cell, has)
      return has
    },
  }
}

/** First digits of a digest, alone or as a digest path. */
function digitsOf(wanted: string): string | undefined {
  const digits = /^(?:sha256[:=])?([0-9a-f]+)(\.[a-z0-9]+)?$/.exec(wanted)?.[1] ?? ''
  return digits.length >= FEWEST_DIGITS && digits.length <= 64 ? digits : undefined
}

function plain(text: string): string {
  return text.trim().replace(/^\/+/, '').normalize('NFC').toLowerCase()
}
