/** What a person recorded, in a few words: observations, pasted checksums, lifts; and that it was struck. */
import type { EntryOf } from '../ledger/entries.ts'
import type { Strikeable } from '../ledger/strikes.ts'
import { byHandText } from '../staging/holds.ts'
import { algorithmText } from '../trust/digests/algorithm.ts'

/** Who did it is part of it. Text from outside stands in it as it came. */
export function strikeableWords(entry: Strikeable): string {
  switch (entry.kind) {
    case 'observed':
      return `${entry.device}: ${observedWords(entry)}`
    case 'published':
      return `${entry.name}: published ${algorithmText(entry.algorithm)} ${entry.digest} (pasted by ${entry.by})`
    case 'lifted':
      return `${entry.name}: hold lifted by ${entry.by} (${entry.reason})`
  }
}

export function observedWords({
  before,
  after,
  note,
  digest,
  by,
}: Pick<EntryOf<'observed'>, 'before' | 'after' | 'note' | 'digest' | 'by'>): string {
  const parts = [
    ...(before === undefined ? [] : [`before ${before}`]),
    ...(after === undefined ? [] : [`after ${after}`]),
    ...(digest === undefined ? [] : [`printed ${digest.algorithm} ${digest.value.slice(0, 12)}`]),
    ...(note === undefined ? [] : [note]),
  ]
  return `${parts.join(', ')} (observed by ${by})`
}

/** Why an image was held; by whom, where a person did it. */
export function heldWords({ by, reason }: Pick<EntryOf<'held'>, 'by' | 'reason'>): string {
  return by === undefined ? reason : byHandText({ by, reason })
}
