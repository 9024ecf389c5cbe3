/** The states of an image, and why it is not offered (yet), in words for people. */
import type { HoldReason } from '../ledger/entries.ts'
import { BY_HAND, type Hold } from './holds.ts'
import type { ImageState } from './image.ts'

export const EMPTY: HoldReason = Object.freeze({
  cause: 'empty',
  reason: 'It is an empty file (0 bytes). Copy or download it again.',
})

/** `held`, `being read`: to stand alone, or after "it is". */
export function stateWords(state: ImageState): string {
  return state === 'reading' ? 'being read' : state
}

export function settlingReason(digested: boolean): string {
  return digested
    ? 'Not yet known to be complete; offered once the file stops changing.'
    : 'It may still be being copied; it is read once the file stops changing.'
}

/** `writer` in words, as `curl (process 4711)`. */
export function writtenReason(writer: string): string {
  return `${writer} has it open for writing. It is offered when that program has closed it.`
}

/** `cause` is the system's code of the error. */
export function lockedReason(cause: string): string {
  if (['EBUSY', 'EACCES', 'EPERM'].includes(cause)) {
    return `It cannot be opened (${cause}): another program holds it, or you have no right to read it. It is tried again every few seconds.`
  }
  return `It cannot be read (${cause}). It is tried again every few seconds.`
}

/** What the program has against an image, as the ledger says it; empty where only a person's decision holds it. */
export function foundText(hold: Hold): string {
  const reasons = hold.reasons.filter(({ cause }) => cause !== BY_HAND)
  return reasons.length === 0 ? '' : heldText({ ...hold, reasons })
}

export function heldText({ reasons, liftedBefore }: Hold): string {
  const said = new Set(reasons.map(({ reason }) => reason))
  if (liftedBefore !== undefined) {
    const { by, reason } = liftedBefore
    said.add(`A hold was lifted before, by ${by} (${reason}); that lift was not for this.`)
  }
  return [...said].join(' ')
}
