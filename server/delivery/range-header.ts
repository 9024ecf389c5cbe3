/**
 * The Range request header, RFC 9110 §14.1.2 and §14.2. One satisfiable byte range is honoured; several or
 * malformed ones are ignored, as §14.2 allows; a well-formed one outside the image is unsatisfiable.
 */

type RangeAnswer =
  | { readonly kind: 'whole' }
  | { readonly kind: 'part'; readonly first: number; readonly last: number }
  | { readonly kind: 'unsatisfiable' }

const WHOLE: RangeAnswer = { kind: 'whole' }
const UNSATISFIABLE: RangeAnswer = { kind: 'unsatisfiable' }

/** What a Range header asks of an image of `bytes` bytes. Offsets are inclusive, as on the wire. */
export function answerRange(header: string | undefined, bytes: number): RangeAnswer {
  if (header === undefined) return WHOLE
  // Range unit names are case-insensitive (§14.1); empty list elements are skipped (§5.6.1.2).
  const set = /^bytes=(.*)$/i.exec(trimOws(header))?.[1]
  const specs = set
    ?.split(',')
    .map(trimOws)
    .filter((spec) => spec !== '')
  if (specs?.length !== 1) return WHOLE
  const match = /^(\d*)-(\d*)$/.exec(specs[0] ?? '')
  if (match === null) return WHOLE
  const [firstDigits, lastDigits] = [match[1] ?? '', match[2] ?? '']
  if (firstDigits === '') return lastDigits === '' ? WHOLE : suffix(Number(lastDigits), bytes)
  const first = Number(firstDigits)
  const last = lastDigits === '' ? Number.POSITIVE_INFINITY : Number(lastDigits)
  // Exact beyond 2^53 too: a last position before the first makes the range invalid, not unsatisfiable (§14.1.1).
  if (lastDigits !== '' && BigInt(lastDigits) < BigInt(firstDigits)) return WHOLE
  if (first >= bytes) return UNSATISFIABLE
  return { kind: 'part', first, last: Math.min(last, bytes - 1) }
}

/**
 * OWS is a space or a tab and nothing else (§5.6.3); `trim` takes a no-break space, byte 160, for one too. A loop: a
 * regular expression takes quadratic time for many blanks in the middle.
 */
export function trimOws(text: string): string {
  const isOws = (at: number): boolean => text[at] === ' ' || text[at] === '\t'
  let first = 0
  let end = text.length
  while (first < end && isOws(first)) first += 1
  while (end > first && isOws(end - 1)) end -= 1
  return text.slice(first, end)
}

function suffix(length: number, bytes: number): RangeAnswer {
  if (length === 0 || bytes === 0) return UNSATISFIABLE
  return { kind: 'part', first: Math.max(0, bytes - length), last: bytes - 1 }
}

/** The offset K of an open-ended `bytes=K-`, which is how a client says that it holds `[0,K)`; else undefined. */
export function resumeOffset(header: string | null | undefined): number | undefined {
  if (header == null) return undefined
  const digits = /^[ \t]*bytes=[ \t]*(\d+)-[ \t]*$/i.exec(header)?.[1]
  if (digits === undefined) return undefined
  const offset = Number(digits)
  return Number.isSafeInteger(offset) && offset > 0 ? offset : undefined
}
