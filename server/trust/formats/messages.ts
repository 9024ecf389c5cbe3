/** What goes between the serving process and the one that checks formats. */
import type { Limits } from './budget.ts'
import type { CheckedFormat } from './finding.ts'

export interface CheckRequest {
  readonly file: string
  readonly name: string
  readonly limits: Limits
}

export type CheckAnswer =
  /** Nothing yet, but the check goes on. */
  | { readonly goesOn: true }
  | { readonly found: CheckedFormat }
  /** The file could not be opened or read. */
  | { readonly failed: string }
