/**
 * How many connections fit into the number of files that the system lets this process open (getrlimit(2),
 * RLIMIT_NOFILE). At the limit libuv takes each new connection and closes it at once, without a word to anybody, and
 * images and ledger cannot be opened either: so connections are refused, and recorded, some files earlier.
 * Linux shows both figures (proc(5)); elsewhere nothing is known and nothing refused.
 */
import { readdirSync, readFileSync } from 'node:fs'
import { systemCode } from '../errors.ts'

/** For images, checksum files, the neighbour table and the like. */
const KEPT_FREE = 16
const LOOK_AGAIN_MS = 1_000

interface Seen {
  readonly limit: number
  readonly open: number
}

/** Returns what says how many connections may be open, of which `held` are now; Infinity where it is not known. */
export function connectionsThatFit(look = lookAtSystem, clock = () => performance.now()) {
  let fits = Number.POSITIVE_INFINITY
  let lookedAt = Number.NEGATIVE_INFINITY
  return (held: number): number => {
    const now = clock()
    if (now - lookedAt < LOOK_AGAIN_MS) return fits
    lookedAt = now
    const seen = look()
    const beside = seen === 'none left' ? held : seen && seen.limit - (seen.open - held)
    fits = beside === undefined ? Number.POSITIVE_INFINITY : Math.max(1, beside - KEPT_FREE)
    return fits
  }
}

function lookAtSystem(): Seen | 'none left' | undefined {
  try {
    const limit = /^Max open files\s+(\d+)/m.exec(readFileSync('/proc/self/limits', 'latin1'))?.[1]
    return limit === undefined
      ? undefined
      : { limit: Number(limit), open: readdirSync('/proc/self/fd').length }
  } catch (error) {
    return ['EMFILE', 'ENFILE'].includes(systemCode(error) ?? '') ? 'none left' : undefined
  }
}
