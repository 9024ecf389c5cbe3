/** The cell `image` (or `rollback`) of a visit sheet against images: plain path, original name, digest's digits. */
import type { ImageReference } from '../ledger/entries.ts'

/** Fewer digits of a digest than this name nothing. */
const FEWEST_DIGITS = 6

export interface ImageNames {
  /** True when the cell names an image that is known here. */
  has(cell: string): boolean
  /**
   * True when the cell names this image. Unicode form does not count, a digest path does too. Letter case counts
   * only where it tells known images apart: a sheet is typed by hand, but `SWITCH.BIN` is no plan for `switch.bin`
   * beside it.
   */
  names(cell: string, image: ImageReference): boolean
}

/** Of the images that are, or were, on offer. */
export function createImageNames(images: readonly ImageReference[]): ImageNames {
  /** Files under each name, letter case aside. */
  const files = new Map<string, Set<string>>()
  for (const { plainPath, name } of images) {
    for (const each of new Set([folded(plainPath), folded(name)])) {
      const there = files.get(each)
      if (there === undefined) files.set(each, new Set([name]))
      else there.add(name)
    }
  }
  const exact = new Set(images.flatMap(({ plainPath, name }) => [written(plainPath), written(name)]))
  const digests = [...new Set(images.map(({ sha256 }) => sha256))]
  const known = new Map<string, boolean>()

  function isKnown(cell: string): boolean {
    if (exact.has(written(cell)) || files.get(folded(cell))?.size === 1) return true
    const digits = digitsOf(cell)
    return digits !== undefined && digests.some((sha256) => sha256.startsWith(digits))
  }

  return {
    has(cell) {
      const asked = known.get(cell) ?? isKnown(cell)
      known.set(cell, asked)
      return asked
    },
    names(cell, { plainPath, name, sha256 }) {
      const wanted = written(cell)
      if (wanted === written(plainPath) || wanted === written(name)) return true
      if (folded(cell) === folded(plainPath) || folded(cell) === folded(name)) {
        return [...(files.get(folded(cell)) ?? [])].every((other) => other === name)
      }
      const digits = digitsOf(cell)
      return digits !== undefined && sha256.startsWith(digits)
    },
  }
}

/** First digits of a digest, alone or as a digest path. */
function digitsOf(cell: string): string | undefined {
  const digits = /^(?:sha256[:=])?([0-9a-f]+)(\.[a-z0-9]+)?$/.exec(folded(cell))?.[1] ?? ''
  return digits.length >= FEWEST_DIGITS && digits.length <= 64 ? digits : undefined
}

function folded(text: string): string {
  return written(text).toLowerCase()
}

function written(text: string): string {
  return text.trim().replace(/^\/+/, '').normalize('NFC')
}
