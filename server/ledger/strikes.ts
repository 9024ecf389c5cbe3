/** What persons took back of what they recorded: entries that were struck by a later one, and those that can be. */
import { FetchproofError } from '../errors.ts'
import type { Entry, EntryKind, EntryOf } from './entries.ts'

const STRIKEABLE = ['observed', 'published', 'lifted'] as const satisfies readonly EntryKind[]

/** What a person recorded, and may have recorded by mistake. */
export type Strikeable = EntryOf<(typeof STRIKEABLE)[number]>

export interface Struck {
  readonly entry: Strikeable
  readonly by: EntryOf<'struck'>
}

export type Strikes = ReturnType<typeof createStrikes>

export function createStrikes() {
  const entries = new Map<number, Strikeable>()
  const strikes = new Map<number, EntryOf<'struck'>>()
  let last = 0

  function whyNot(seq: number): string {
    if (seq > last || seq < 1) return `the ledger has no entry of this number (its last one is ${last})`
    const struck = strikes.get(seq)
    if (struck !== undefined) return `${struck.by} struck it already (${struck.reason})`
    return 'only what a person observed, pasted as published or lifted can be struck, and it is none of these'
  }

  return {
    /** Takes the next entry of one ledger; one that it has taken already is passed over. */
    apply(entry: Entry): void {
      last = Math.max(last, entry.seq)
      if (isStrikeable(entry)) entries.set(entry.seq, entry)
      if (entry.kind === 'struck') strikes.set(entry.strikes, entry)
    },
    /** Not struck, in the ledger's order. */
    strikeable: (): readonly Strikeable[] => [...entries.values()].filter(({ seq }) => !strikes.has(seq)),
    struck: (): readonly Struck[] =>
      [...strikes.values()].flatMap((by) => {
        const entry = entries.get(by.strikes)
        return entry === undefined ? [] : [{ entry, by }]
      }),
    has: (seq: number): boolean => strikes.has(seq),
    /** The entry that would be struck. Throws FP_NOT_STRIKEABLE. */
    check(seq: number): Strikeable {
      const entry = entries.get(seq)
      if (entry !== undefined && !strikes.has(seq)) return entry
      throw new FetchproofError('FP_NOT_STRIKEABLE', { seq, why: whyNot(seq) })
    },
  }
}

function isStrikeable(entry: Entry): entry is Strikeable {
  return (STRIKEABLE as readonly EntryKind[]).includes(entry.kind)
}
