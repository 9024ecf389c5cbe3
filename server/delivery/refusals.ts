/**
 * Refusals on their way to the ledger. The first of its kind is recorded at once; like ones in a row after it
 * become one entry with a count, so that a device that asks every second does not fill the record.
 */
import type { NewEntryOf } from '../ledger/entries.ts'

type Refusal = NewEntryOf<'fetch-refused'>

export interface Refusals {
  /** `at` is RFC 3339 UTC. */
  record(refusal: Omit<Refusal, 'kind' | 'id' | 'count' | 'since'>, at: string): void
  /** Writes what was only counted so far. */
  flush(): void
  close(): void
}

export interface RefusalsOptions {
  readonly append: (refusal: Omit<Refusal, 'id'>) => void
  /** How long like refusals are gathered. */
  readonly gatherMs?: number
}

interface Gathered {
  refusal: Omit<Refusal, 'id'>
  count: number
  since: string
}

const KINDS_AT_MOST = 1_000

export function createRefusals({ append, gatherMs = 5_000 }: RefusalsOptions): Refusals {
  const gathered = new Map<string, Gathered>()
  let timer: NodeJS.Timeout | undefined

  function flush(): void {
    clearTimeout(timer)
    timer = undefined
    for (const { refusal, count, since } of gathered.values()) {
      if (count === 1) append({ ...refusal })
      else if (count > 1) append({ ...refusal, count, since })
    }
    gathered.clear()
  }

  return {
    record(refusal, at) {
      const entry: Omit<Refusal, 'id'> = { kind: 'fetch-refused', ...refusal }
      const key = JSON.stringify([
        refusal.client.address,
        refusal.door,
        refusal.method,
        refusal.target,
        refusal.range,
        refusal.status,
        refusal.reason,
        refusal.firstLine,
      ])
      const same = gathered.get(key)
      if (same !== undefined) {
        if (same.count === 0) same.since = at
        same.count += 1
        same.refusal = entry
        return
      }
      if (gathered.size >= KINDS_AT_MOST) flush()
      append(entry)
      gathered.set(key, { refusal: entry, count: 0, since: at })
      timer ??= setTimeout(flush, gatherMs)
      timer.unref()
    },
    flush,
    close: flush,
  }
}
