/** Exit statuses, and which coded error means which. */
import type { ErrorCode } from '../errors.ts'

export const EXIT = Object.freeze({
  done: 0,
  /** A held image, a mismatch, a broken chain, an incomplete visit with --strict. */
  checkFailed: 1,
  /** Bad usage or settings. */
  usage: 2,
  /** Could not start: folder, ledger or port. */
  couldNotStart: 3,
})

const USAGE_CODES: ReadonlySet<ErrorCode> = new Set<ErrorCode>([
  'FP_SETTING_UNKNOWN',
  'FP_SETTING_BAD',
  'FP_CIDR_BAD',
  'FP_USAGE',
  'FP_FOLDER_MISSING',
  'FP_FOLDER_NOT_FOLDER',
  'FP_FOLDER_UNREADABLE',
  'FP_LEDGER_MISSING',
  'FP_IMAGE_UNKNOWN',
  'FP_NOT_STRIKEABLE',
  'FP_NOT_SERVED',
  'FP_NO_ADDRESS',
  'FP_LIST_NOT_OFFERED',
  'FP_REHEARSAL_CODE',
])

const CHECK_CODES: ReadonlySet<ErrorCode> = new Set<ErrorCode>([
  'FP_NOT_HELD',
  'FP_IMAGE_UNREAD',
  'FP_BASE_UNREACHABLE',
])

export function exitStatusOf(code: ErrorCode): number {
  if (USAGE_CODES.has(code)) return EXIT.usage
  return CHECK_CODES.has(code) ? EXIT.checkFailed : EXIT.couldNotStart
}
