/** How fetches end, in words for terminal, page and audit. Never more than was seen. */
import type { Ending } from '../ledger/ending-names.ts'

interface EndingWords {
  readonly name: string
  readonly weight: 'good' | 'plain' | 'caution' | 'alarm'
  /** What was seen, where the name does not say it. */
  readonly seen?: string
  /** What the device may have, where the count of bytes does not say it. */
  readonly unsure?: string
}

export const ENDING_WORDS: Readonly<Record<Ending, EndingWords>> = Object.freeze({
  delivered: { name: 'delivered', weight: 'good' },
  unconfirmed: { name: 'unconfirmed', weight: 'caution', seen: 'every byte was handed over' },
  'reset-late': {
    name: 'reset late',
    weight: 'alarm',
    seen: 'the client broke the connection after the last byte',
    unsure: 'it may have all, some or none',
  },
  cut: { name: 'cut', weight: 'alarm', seen: 'the connection was lost' },
  withdrawn: { name: 'withdrawn', weight: 'alarm' },
  'headers-only': { name: 'headers only', weight: 'plain' },
  refused: { name: 'refused', weight: 'plain' },
  'lost-track': {
    name: 'lost track',
    weight: 'alarm',
    seen: 'the server stopped while it was in progress',
    unsure: 'how far it got is not known',
  },
})
