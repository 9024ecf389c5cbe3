/**
 * What RFC 9110 section 14 allows as the answer to a Range field, written from its grammar alone and with whole
 * numbers of any size. Where the RFC leaves a choice, the one that the README promises: several ranges and what is
 * malformed are ignored.
 */

export type RangeVerdict =
  | { readonly status: 200 }
  | { readonly status: 206; readonly first: number; readonly last: number }
  | { readonly status: 416 }

const WHOLE: RangeVerdict = { status: 200 }

/** The verdicts that are right; more than one where a recipient may be lenient. `value` without outer OWS. */
export function rangeVerdicts(value: string, bytes: number): readonly RangeVerdict[] {
  // ranges-specifier = range-unit "=" range-set (14.1.1); range-unit = token (14.1); names of units have no case.
  const equals = value.indexOf('=')
  if (equals < 0 || value.slice(0, equals).toLowerCase() !== 'bytes') return [WHOLE]
  const set = value.slice(equals + 1)
  const elements = set
    .split(',')
    .map(trimOws)
    .filter((element) => element !== '')
  const [element] = elements
  if (element === undefined || elements.length > 1) return [WHOLE]
  const verdict = oneRange(element, BigInt(bytes))
  // 1#range-spec (5.6.1) has no blanks before its first or after its last element; they may be forgiven.
  return trimOws(set) === set ? [verdict] : [verdict, WHOLE]
}

function oneRange(element: string, bytes: bigint): RangeVerdict {
  const dash = element.indexOf('-')
  const [before, after] = [element.slice(0, dash), element.slice(dash + 1)]
  if (dash < 0 || !isDigits(before) || !isDigits(after) || before + after === '') return WHOLE
  if (before === '') {
    // suffix-range (14.1.2): longer than the representation means all of it; of no byte it is unsatisfiable.
    const length = BigInt(after)
    if (length === 0n || bytes === 0n) return { status: 416 }
    return part(length >= bytes ? 0n : bytes - length, bytes - 1n)
  }
  const first = BigInt(before)
  // An int-range is invalid when its last position is less than its first (14.1.1).
  if (after !== '' && BigInt(after) < first) return WHOLE
  if (first >= bytes) return { status: 416 }
  return part(first, after === '' || BigInt(after) >= bytes ? bytes - 1n : BigInt(after))
}

function part(first: bigint, last: bigint): RangeVerdict {
  return { status: 206, first: Number(first), last: Number(last) }
}

/** OWS = *( SP / HTAB ), 5.6.3. */
function trimOws(text: string): string {
  return text.replace(/^[ \t]+|[ \t]+$/g, '')
}

function isDigits(text: string): boolean {
  return [...text].every((character) => character >= '0' && character <= '9')
}
