/** The cell `image` (or `rollback`) of a visit sheet against images: plain path, original name, digest's digits. */
import type { ImageReference } from '../ledger/entries.ts'

/** Fewer digits of a digest than this name nothing. */
const FEWEST_DIGITS = 6

export type ImageNames = ReturnType<typeof createImageNames>

/** Of the images that are, or were, on offer. */
export function createImageNames(images: readonly ImageReference[]) {
  const exact = new Map<string, ImageReference>()
  /** Letter case aside: by file name, since versions of one file tell no two files apart. */
  const alike = new Map<string, Map<string, ImageReference>>()
  for (const image of images) {
    for (const text of [image.plainPath, image.name]) {
      exact.set(written(text), image)
      const there = alike.get(folded(text))
      if (there === undefined) alike.set(folded(text), new Map([[image.name, image]]))
      else there.set(image.name, image)
    }
  }
  const found = new Map<string, ImageReference | undefined>()

  function look(cell: string): ImageReference | undefined {
    const same = exact.get(written(cell))
    if (same !== undefined) return same
    const [only, another] = alike.get(folded(cell))?.values() ?? []
    if (only !== undefined && another === undefined) return only
    const digits = digitsOf(cell)
    return digits === undefined ? undefined : images.find(({ sha256 }) => sha256.startsWith(digits))
  }

  /** Undefined when the cell is no name of it. */
  function byName(cell: string, { plainPath, name }: ImageReference): boolean | undefined {
    const wanted = written(cell)
    if (wanted === written(plainPath) || wanted === written(name)) return true
    if (folded(cell) !== folded(plainPath) && folded(cell) !== folded(name)) return undefined
    return [...(alike.get(folded(cell))?.keys() ?? [])].every((other) => other === name)
  }

  function find(cell: string): ImageReference | undefined {
    if (!found.has(cell)) found.set(cell, look(cell))
    return found.get(cell)
  }

  function isCopy(cell: string, { sha256 }: ImageReference): boolean {
    return sha256 !== '' && find(cell)?.sha256 === sha256
  }

  return {
    /** The known image that the cell names, if any; of several with the digits of a digest, the first. */
    find,
    /**
     * True when the cell names this image. Unicode form does not count, a digest path does too. Letter case counts
     * only where it tells known images apart: a sheet is typed by hand, but `SWITCH.BIN` is no plan for `switch.bin`
     * beside it. Another name for the same bytes is the same image.
     */
    names: (cell: string, image: ImageReference): boolean =>
      (byName(cell, image) ?? byDigits(cell, image)) || isCopy(cell, image),
    /** True when the cell names this very version, by the digits of its digest and not by a name. */
    namesVersion: (cell: string, image: ImageReference): boolean =>
      byName(cell, image) === undefined && byDigits(cell, image),
  }
}

function byDigits(cell: string, { sha256 }: ImageReference): boolean {
  const digits = digitsOf(cell)
  return digits !== undefined && sha256.startsWith(digits)
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
