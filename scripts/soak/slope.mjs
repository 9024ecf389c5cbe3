// Whether a figure that was sampled over time stays where it is. Robust to noise: the slope is the median of the
// slopes between all pairs of samples (the Theil-Sen estimator; common practice), so that a fifth of the samples may
// be anything.

/** Slope a minute through [{ minute, value }], by the median of all pairs; 0 for fewer than two samples. */
export function slope(samples) {
  const slopes = []
  for (const [at, a] of samples.entries()) {
    for (const b of samples.slice(at + 1)) {
      if (b.minute !== a.minute) slopes.push((b.value - a.value) / (b.minute - a.minute))
    }
  }
  return median(slopes)
}

export function median(values) {
  if (values.length === 0) return 0
  const sorted = [...values].sort((a, b) => a - b)
  const middle = sorted.length >> 1
  return sorted.length % 2 === 1 ? sorted[middle] : (sorted[middle - 1] + sorted[middle]) / 2
}

/**
 * Compares the last third with the middle third (the first is warm-up). Not flat when both say so: the medians of the
 * two thirds differ by more than the tolerance, and so does the slope through both, taken over the same time.
 * `tolerance`: { share, least }: a share of the middle third's median, and at least so much.
 */
export function flatness(samples, tolerance) {
  const end = Math.max(...samples.map(({ minute }) => minute))
  const third = (end - Math.min(0, ...samples.map(({ minute }) => minute))) / 3
  const middle = samples.filter(({ minute }) => minute > third && minute <= 2 * third)
  const last = samples.filter(({ minute }) => minute > 2 * third)
  const before = median(middle.map(({ value }) => value))
  const after = median(last.map(({ value }) => value))
  const allowed = Math.max(tolerance.least, before * tolerance.share)
  const perMinute = slope([...middle, ...last])
  const flat = after - before <= allowed || perMinute * third <= allowed
  return { before, after, perMinute, allowed, flat }
}
