/** A door as the rest of the program sees it: what it says of itself, and how it is rehearsed. */
import type { DoorFacts } from '../network/bases.ts'

export interface Door extends DoorFacts {
  /** `code`: of the run that is rehearsed; undefined on its own machine, which is believed. */
  rehearser(code: string | undefined): Promise<Rehearser>
}

/** Fetches as a device would, and says what differs. */
export interface Rehearser {
  /** Never rejects for what the other side does: that is what differs. */
  check(target: Target, onBytes?: (bytes: number) => void): Promise<Checked>
  /** The list of checksums at a base URL. Throws FP_BASE_UNREACHABLE, FP_LIST_NOT_OFFERED, FP_REHEARSAL_CODE. */
  list(base: string): Promise<Buffer>
  close(): Promise<void>
}

export interface Target {
  /** Base URL without a slash at the end. */
  readonly base: string
  readonly path: string
  /** Name of the image, for people. */
  readonly name: string
  /** Undefined where only its digest is known beforehand. */
  readonly bytes: number | undefined
  readonly sha256: string
}

export interface Difference {
  readonly url: string
  readonly check: string
  readonly found: string
}

export interface Checked {
  readonly target: Target
  readonly checks: number
  readonly differences: readonly Difference[]
  /** Of the image as it came. */
  readonly bytes: number
  /** No connection could be made: asking the same address again is of no use. */
  readonly unreachable: boolean
  /** Not admitted there, whatever is asked for. */
  readonly turnedAway: boolean
}

/** Where a list of checksums stands at every door. */
export const LIST_PATH = '/SHA256SUMS'
