/** How fast fetches move now: bytes a second over a short window of samples. Monotonic clock, ms. */
const WINDOW_MS = 5_000
const SHORTEST_MS = 400

export function createRates(clock: () => number) {
  const samples = new Map<string, { at: number; bytes: number }[]>()
  return {
    /** Notes how far `id` is and returns its rate in bytes a second, or undefined while too little was seen. */
    sample(id: string, bytes: number): number | undefined {
      const now = clock()
      const own = samples.get(id) ?? []
      samples.set(id, own)
      own.push({ at: now, bytes })
      while (own.length > 2 && now - (own[1]?.at ?? now) > WINDOW_MS) own.shift()
      const oldest = own[0]
      if (oldest === undefined || now - oldest.at < SHORTEST_MS) return undefined
      return Math.max(0, ((bytes - oldest.bytes) * 1000) / (now - oldest.at))
    },
    /** Forgets all but these. */
    keep(ids: ReadonlySet<string>): void {
      for (const id of samples.keys()) if (!ids.has(id)) samples.delete(id)
    },
  }
}
