/**
 * The Range request header, RFC 9110 §14.1.2 and §14.2. One satisfiable byte range is honoured; several or
 * malformed ones are ignored, as §14.2 allows; a well-formed one outside the image is unsatisfiable.
 */

export type RangeAnswer =
  | { readonly kind: 'whole' }
  | { readonly kind: 'part'; readonly first: number; readonly last: number }
  | { readonly kind: 'unsatisfiable' }

const WHOLE: RangeAnswer = { kind: 'whole' }
const UNSATISFIABLE: RangeAnswer = { kind: 'unsatisfiable' }

/** What a Range header asks of an image of `bytes` bytes. Offsets are inclusive, as on the wire. */
export function answerRange(header: string | undefined, bytes: number): RangeAnswer {
  if (header === undefined) return WHOLE
  // Range unit names are case-insensitive (§14.1); empty list elements are skipped (§5.6.1.2).
  const set = /^bytes=(.*)$/i.exec(header.trim())?.[1]
  const specs = set
    ?.split(',')
    .map((spec) => spec.trim())
    .filter((spec) => spec !== '')
  if (specs?.length !== 1) return WHOLE
  const match = /^(\d*)-(\d*)$/.exec(specs[0] ?? '')
  if (match === null) return WHOLE
  const [firstDigits, lastDigits] = [match[1] ?? '', match[2] ?? '']
  if (firstDigits === '') return lastDigits === '' ? WHOLE : suffix(Number(lastDigits), bytes)
  const first = Number(firstDigits)
  const last = lastDigits === '' ? Number.POSITIVE_INFINITY : Number(lastDigits)
  // Compared as text lengths would be exact beyond 2^53; no image is that large, and both are then past its end.
  if (last < first) return WHOLE
  if (first >= bytes) return UNSATISFIABLE
  return { kind: 'part', first, last: Math.min(last, bytes - 1) }
}

function suffix(length: number, bytes: number): RangeAnswer {
  if (length === 0 || bytes === 0) return UNSATISFIABLE
  return { kind: 'part', first: Math.max(0, bytes - length), last: bytes - 1 }
}

/** The offset K of an open-ended `bytes=K-`, which is how a client says that it holds `[0,K)`; else undefined. */
export function resumeOffset(header: string | null | undefined): number | undefined {
  const digits = /^\s*bytes=\s*(\d+)-\s*$/i.exec(header ?? '')?.[1]
  if (digits === undefined) return undefined
  const offset = Number(digits)
  return Number.isSafeInteger(offset) && offset > 0 ? offset : undefined
}
