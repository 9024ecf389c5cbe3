/**
 * Requests that come more than once: a network doubles them, and a client repeats itself while its answer is on the
 * way. A copy must begin no transfer beside the one that its first brought forth.
 */
import type { Transfer } from './wire.ts'

export interface Answering {
  /** What the request brought forth. */
  transfer?: Transfer
}

/** How long a copy may be on its way. */
const ON_ITS_WAY_MS = 5_000

interface Known extends Answering {
  readonly datagram: string
  readonly at: number
}

/** `clock` is monotonic, in ms. */
export function createRepeats(clock: () => number) {
  const known = new Map<string, Known>()

  const isUnderWay = ({ transfer }: Known): boolean =>
    transfer !== undefined && transfer.state.phase !== 'ended'
  const isFresh = ({ at }: Known): boolean => clock() - at < ON_ITS_WAY_MS

  function isCopy(before: Known, datagram: string): boolean {
    if (before.datagram !== datagram) return false
    // Its client has not heard from the transfer yet, and asks again.
    return isFresh(before) || (isUnderWay(before) && before.transfer?.state.proved === false)
  }

  /** The oldest stand first. */
  function forgetOld(): void {
    for (const [from, each] of known) {
      if (isFresh(each)) return
      if (!isUnderWay(each)) known.delete(from)
    }
  }

  return {
    /** Where the answer to this request belongs; undefined for a copy of one that is answered already. */
    take(from: string, datagram: string): Answering | undefined {
      forgetOld()
      const before = known.get(from)
      if (before !== undefined) {
        if (isCopy(before, datagram)) return undefined
        known.delete(from)
        before.transfer?.askedAnew()
      }
      const answering: Known = { datagram, at: clock() }
      known.set(from, answering)
      return answering
    },
    /** It was refused: the next one of its kind is answered anew. */
    forget: (from: string): void => void known.delete(from),
  }
}
