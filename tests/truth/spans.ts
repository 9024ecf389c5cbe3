/**
 * Which bytes a device holds, counted apart from the program's own arithmetic on purpose: the two are compared.
 * A plain list of `[first, end)`; few spans, so nothing is clever.
 */

export interface Held {
  readonly first: number
  readonly end: number
}

/** Sorted and joined. */
export function joined(spans: readonly Held[]): readonly Held[] {
  const out: Held[] = []
  for (const span of [...spans].sort((a, b) => a.first - b.first)) {
    const last = out.pop()
    if (span.end <= span.first) {
      if (last !== undefined) out.push(last)
    } else if (last === undefined) out.push(span)
    else if (span.first > last.end) out.push(last, span)
    else out.push({ first: last.first, end: Math.max(last.end, span.end) })
  }
  return out
}

export function bytesIn(spans: readonly Held[]): number {
  return joined(spans).reduce((sum, { first, end }) => sum + end - first, 0)
}

export function holdsAll(spans: readonly Held[], bytes: number): boolean {
  return bytesIn(spans.map(({ first, end }) => ({ first, end: Math.min(end, bytes) }))) === bytes
}

/** The K of the longest `[0,K)` that is held without a gap. */
export function heldFromStart(spans: readonly Held[]): number {
  const first = joined(spans)[0]
  return first?.first === 0 ? first.end : 0
}
