/**
 * What persons decided about holds, out of the ledger: held by hand, lifted, and lifts taken back. A lift covers the
 * causes that held the image when it was given and no other one: what comes to light later holds it again.
 */

import type { Entry, EntryOf, HoldReason } from '../ledger/entries.ts'
import { addTo } from '../lists-by-key.ts'
import type { OnRecord, OnRecordOf } from './catalogue-store.ts'

/** What a person decided, and why. */
export interface Decision {
  readonly by: string
  readonly reason: string
}

/** Why an image is held. */
export interface Hold {
  /** All that holds it, what a person decided first. */
  readonly reasons: readonly HoldReason[]
  readonly byHand?: Decision
  /** An earlier lift, which was not for these reasons. */
  readonly liftedBefore?: Decision
}

/** How an image stands after all decisions. */
export interface Decided {
  /** Absent: it may be served. */
  readonly hold?: Hold
  /** The latest lift of something that would hold it otherwise. */
  readonly lifted?: Decision
}

export const BY_HAND = 'by hand'

interface Taken extends Decision {
  readonly seq: number
  /** Of a lift. */
  covers?(cause: HoldReason): boolean
}

type Said = Pick<OnRecord, 'published' | 'format'>

/** `recorded`: what the latest `image` entry says of a version. */
export function createHolds(recorded: OnRecordOf) {
  // Long: a list of the entries that hold or lift, and what comes of them.
  const decisions = new Map<string, Taken[]>()
  const struck = new Set<number>()
  /** Why a version was held last, in the ledger's words. */
  const saidOf = new Map<string, string>()
  /** The first word about a version. */
  const firstOf = new Map<string, Said>()

  function coveredBy(
    { name, sha256, reasons }: EntryOf<'lifted'>,
    key: string,
  ): (cause: HoldReason) => boolean {
    if (reasons !== undefined) {
      const causes = new Set(reasons.map(({ cause }) => cause))
      return ({ cause }) => causes.has(cause)
    }
    const said = saidOf.get(key)
    const then = recorded(name, sha256)
    return (cause) => {
      // Lifted without having been served before: the next word about these bytes tells what was lifted.
      const onRecord = then ?? firstOf.get(key)
      return onRecord === undefined || wasOnRecord(onRecord, said, cause)
    }
  }

  return {
    apply(entry: Entry): void {
      if (entry.kind === 'struck') struck.add(entry.strikes)
      if (entry.kind !== 'held' && entry.kind !== 'lifted' && entry.kind !== 'image') return
      const { seq, name, sha256 } = entry
      const key = `${sha256} ${name}`
      if (entry.kind === 'image') {
        if (!firstOf.has(key)) firstOf.set(key, entry)
        return
      }
      const { by, reason } = entry
      if (by === undefined) saidOf.set(key, reason)
      else
        addTo(decisions, key, {
          seq,
          by,
          reason,
          ...(entry.kind === 'lifted' && { covers: coveredBy(entry, key) }),
        })
    },
    /** `found`: what the program has against these bytes now. */
    decide(name: string, sha256: string, found: readonly HoldReason[]): Decided {
      const taken = (decisions.get(`${sha256} ${name}`) ?? []).filter(({ seq }) => !struck.has(seq))
      const lifts = taken.filter(({ covers }) => covers !== undefined)
      const last = taken.at(-1)
      const byHand = last?.covers === undefined ? decisionOf(last) : undefined
      const reasons = found.filter((cause) => !lifts.some((lift) => lift.covers?.(cause)))
      if (byHand !== undefined) reasons.unshift({ cause: BY_HAND, reason: byHandText(byHand) })
      const liftedBefore = decisionOf(lifts.at(-1))
      const lifted = decisionOf(lifts.findLast((lift) => found.some((cause) => lift.covers?.(cause))))
      return {
        ...(reasons.length > 0 && {
          hold: { reasons, ...(byHand && { byHand }), ...(liftedBefore && { liftedBefore }) },
        }),
        ...(lifted && { lifted }),
      }
    },
  }
}

function decisionOf(taken: Taken | undefined): Decision | undefined {
  return taken === undefined ? undefined : Object.freeze({ by: taken.by, reason: taken.reason })
}

export function byHandText({ by, reason }: Decision): string {
  return `Held by ${by}: ${reason}`
}

/**
 * Older ledgers do not name what a lift lifted: it was what stood on record at that moment, and no more. The published
 * checksum is told apart by algorithm and source, since they do not keep its digest either.
 */
function wasOnRecord(
  { published, format }: Said,
  said: string | undefined,
  { cause, reason }: HoldReason,
): boolean {
  return (
    said?.includes(reason) === true ||
    cause === `${format.verdict} ${format.kind}` ||
    (published.standing === 'differs' &&
      cause.startsWith(`differs ${published.algorithm} `) &&
      reason.includes(published.source ?? ''))
  )
}
