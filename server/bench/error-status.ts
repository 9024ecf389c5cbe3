/** What a coded error means for HTTP, on the bench page's API. Codes that are not here are faults: 500. */
import type { ErrorCode } from '../errors.ts'

export const STATUS_OF_ERROR = Object.freeze({
  FP_PAGE_HOST: 403,
  FP_PAGE_ORIGIN: 403,
  FP_PAGE_TOKEN: 401,
  FP_PAGE_REQUEST: 400,
  FP_PAGE_BUSY: 503,
  FP_DROP_NAME: 422,
  FP_DROP_EXISTS: 409,
  FP_DROP_NO_ROOM: 507,
  FP_DROP_CUT: 400,
  FP_SHEET_EXISTS: 409,
  FP_SHEET_UNWRITABLE: 503,
  FP_IMAGE_UNKNOWN: 404,
  FP_IMAGE_CHANGED: 409,
  FP_IMAGE_UNREADABLE: 409,
  FP_NOT_HELD: 409,
  FP_IMAGE_UNREAD: 409,
  FP_NOT_STRIKEABLE: 409,
  FP_NO_DIGEST: 422,
  FP_DIGEST_OF_OTHERS: 422,
  FP_LEDGER_FULL: 507,
  FP_LEDGER_CLOSED: 503,
  FP_LEDGER_UNWRITABLE: 503,
  FP_FOLDER_UNREADABLE: 503,
  FP_FOLDER_MISSING: 503,
} satisfies Partial<Record<ErrorCode, number>>) as Readonly<Partial<Record<ErrorCode, number>>>
