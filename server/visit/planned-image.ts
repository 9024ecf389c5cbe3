/**
 * The cells `image` and `rollback` of a visit sheet against images (plain path, original name, digest's digits), and what
 * an image is to a device by the cells of its rows.
 */
import type { ImageReference } from '../ledger/entries.ts'
import type { VersionOnRecord } from './offers.ts'
import type { PlannedRow } from './sheet-rows.ts'

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
      const there = alike.get(folded(text)) ?? new Map<string, ImageReference>()
      alike.set(folded(text), there.set(image.name, image))
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

  return {
    /** The known image that the cell names, if any; of several with the digits of a digest, the first. */
    find,
    /**
     * True when the cell names this image. Unicode form does not count, a digest path does too. Letter case counts
     * only where it tells known images apart: a sheet is typed by hand, but `SWITCH.BIN` is no plan for `switch.bin`
     * beside it. Another name for the same bytes is the same image.
     */
    names: (cell: string, image: ImageReference): boolean =>
      (byName(cell, image) ?? byDigits(cell, image)) ||
      (image.sha256 !== '' && find(cell)?.sha256 === image.sha256),
    /** True when the cell names this very version, by the digits of its digest and not by a name. */
    namesVersion: (cell: string, image: ImageReference): boolean =>
      byName(cell, image) === undefined && byDigits(cell, image),
  }
}

type Cells = Pick<PlannedRow, 'image' | 'rollback'>

/** `steps`: whose image it is, from 0; `earlier`: another version of that file was on offer since. */
export type ImagePlace =
  | { readonly kind: 'step'; readonly steps: readonly number[]; readonly earlier: boolean }
  | { readonly kind: 'rollback' }
  | { readonly kind: 'of others' }
  | { readonly kind: 'not planned' }

/** No image stands on any of its rows: whatever it takes is right. */
export function isFree(rows: readonly Cells[]): boolean {
  return rows.every(({ image }) => image === null)
}

/** `rows`: the device's own; `othersRows`: of devices that it pulls for, or shares an address with. */
export function imagePlace(
  image: ImageReference,
  { earlier }: Pick<VersionOnRecord, 'earlier'>,
  facts: {
    readonly rows: readonly Cells[]
    readonly othersRows?: readonly Cells[]
    readonly images: ImageNames
  },
): ImagePlace {
  const { rows, othersRows = [], images } = facts
  const names = (cell: string | null): boolean => cell !== null && images.names(cell, image)
  const free = isFree(rows)
  const steps = rows.flatMap((row, step) => (free || names(row.image) ? [step] : []))
  if (steps.length > 0) {
    const pinned = steps.some((step) => images.namesVersion(rows[step]?.image ?? '', image))
    return { kind: 'step', steps, earlier: earlier && !pinned }
  }
  if (rows.some((row) => names(row.rollback))) return { kind: 'rollback' }
  const others = othersRows.some((row) => names(row.image) || names(row.rollback))
  return { kind: others ? 'of others' : 'not planned' }
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
