/** Sets of byte ranges `[first, end)`, kept sorted, disjoint and merged. Plain values; nothing is mutated. */

export interface Span {
  readonly first: number
  readonly end: number
}

export type Coverage = readonly Span[]

/** The union of any spans; empty and reversed ones are dropped. */
export function cover(spans: Iterable<Span>): Coverage {
  const sorted = [...spans].filter((span) => span.end > span.first)
  if (sorted.length < 2) return sorted
  sorted.sort((a, b) => a.first - b.first)
  const merged: Span[] = []
  for (const span of sorted) {
    const last = merged.at(-1)
    if (last !== undefined && span.first <= last.end) {
      if (span.end > last.end) merged[merged.length - 1] = { first: last.first, end: span.end }
    } else {
      merged.push(span)
    }
  }
  return merged
}

export function coveredBytes(coverage: Coverage): number {
  return coverage.reduce((sum, span) => sum + span.end - span.first, 0)
}

export function coversAll(coverage: Coverage, bytes: number): boolean {
  const only = coverage[0]
  return bytes === 0 || (coverage.length === 1 && only !== undefined && only.first <= 0 && only.end >= bytes)
}

export function overlap(a: Span, b: Span): boolean {
  return Math.max(a.first, b.first) < Math.min(a.end, b.end)
}
