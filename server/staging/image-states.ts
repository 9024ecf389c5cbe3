/** The image state machine: its steps as values, and the one function that takes them. */
import type { ImageState } from './image.ts'

/** What can happen to an image. */
export type ImageStep =
  /** The file on disk is another one now, or a served block did not match. */
  | 'moved'
  /** Quiet long enough: its digest is taken (or taken again after `locked`). */
  | 'read'
  /** The system did not let us read it. */
  | 'denied'
  /** Digest known, nothing vouches that the copy is whole: wait out the longer quiet time. */
  | 'unsure'
  /** Digest known and judged good, or a person lifted the hold. */
  | 'offer'
  /** Judged bad, or a person holds it. */
  | 'withhold'

const STEPS: Readonly<Record<ImageState, Readonly<Partial<Record<ImageStep, ImageState>>>>> = {
  settling: { moved: 'settling', read: 'reading', denied: 'locked', offer: 'ready', withhold: 'held' },
  reading: {
    moved: 'settling',
    denied: 'locked',
    unsure: 'settling',
    offer: 'ready',
    withhold: 'held',
  },
  locked: { moved: 'settling', read: 'reading' },
  ready: { moved: 'settling', withhold: 'held', offer: 'ready' },
  held: { moved: 'settling', offer: 'ready', withhold: 'held' },
}

/** The state after a step. Throws an Error for a step that cannot happen in that state: a mistake of ours. */
export function nextState(state: ImageState, step: ImageStep): ImageState {
  const next = STEPS[state][step]
  if (next === undefined) throw new Error(`An image that is ${state} cannot take the step "${step}".`)
  return next
}
