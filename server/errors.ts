/**
 * The one table of coded errors. A message says what is wrong and what to do; `{field}` is filled from the
 * error's fields. Codes are stable: scripts may rely on them. What a code means for HTTP stands in the apps,
 * what it means for the exit status stands in commands/exit.ts.
 */
export const ERROR_MESSAGES = {
  // settings and usage
  FP_SETTING_UNKNOWN: 'Unknown setting {setting} in {source}. {hint}',
  FP_SETTING_BAD: '{setting}: {value} is not usable: {why}',
  FP_CIDR_BAD: '--allow {value} is not an address range. Write it like 192.0.2.0/24 or 2001:db8::/32.',
  FP_USAGE: '{why}',
  // the staging folder
  FP_FOLDER_MISSING:
    'The staging folder {folder} does not exist. Check the name, or create it first where it is to be a new one.',
  FP_FOLDER_NOT_FOLDER: '{folder} is not a folder. Name the folder that holds the images.',
  FP_FOLDER_UNREADABLE: 'The staging folder {folder} cannot be read ({cause}). {advice}.',
  // the ledger
  FP_LEDGER_HELD:
    'This folder is already being served: process {pid} on {host} holds the ledger since {since}. Stop it, or stage another folder. {ifGone}',
  FP_LEDGER_UNWRITABLE:
    'The ledger cannot be written in {folder} ({cause}). Name a writable place with --records DIR; without a record nothing is served.',
  FP_LEDGER_BROKEN:
    'The ledger {file} is broken at line {line}: {why}. It is left as it is. Keep it, and stage in a new folder or name another place with --records DIR.',
  FP_LEDGER_FOREIGN:
    '{path} is a link or something else that Fetchproof never makes; writing there could harm a file elsewhere. Remove it, or name another place with --records DIR.',
  FP_LEDGER_MISSING: 'There is no ledger in {folder}. It is begun by "fetchproof serve".',
  FP_LEDGER_CLOSED: 'The ledger is closed; nothing more can be recorded.',
  FP_LEDGER_FULL:
    'The disk that holds the ledger is full ({folder}). Free some space: serving resumes by itself.',
  // listening
  FP_PORT_TAKEN:
    'Port {port} on {address} is already taken{holder}. Stop that program, or choose another port with {flag}.',
  FP_PORT_FORBIDDEN:
    'This system does not let you open port {port} on {address}. Choose a port above 1023 with {flag}, or {remedy}.',
  FP_ADDRESS_ABSENT: 'This machine has no address {address} to listen on. Its addresses: {addresses}.',
  FP_OPEN_FILES:
    'This system lets the program open no more files: new connections are closed until some end. Raise the limit (ulimit -n) before serving so many devices at once.',
  FP_LISTEN_FAILED: 'Could not listen on {address} port {port} ({cause}).',
  // the running server
  FP_SERVER_UNREACHABLE:
    'The server of this folder (process {pid}) does not answer: {cause}. Look at its window, or stop it and try again.',
  FP_SERVER_REFUSED: 'The running server did not do it: {why}',
  // rehearsals
  FP_NOT_SERVED:
    'Nobody serves {folder} at the moment, so there is nothing to rehearse. Start "fetchproof serve" for it in another window, then rehearse again.',
  FP_NO_ADDRESS:
    'No address to rehearse: this laptop listens on none that a device could use. Connect the cable or the network, or serve without --listen.',
  FP_BASE_UNREACHABLE:
    '{base} does not answer: {cause}. Check address, port and cable, and whether the firewall of the serving laptop lets this one in.',
  FP_REHEARSAL_CODE:
    '{base} does not know this rehearsal code, and would record what a rehearsal fetches as the pulls of a device. Type the code that "fetchproof serve" printed there, or set FETCHPROOF_REHEARSAL_CODE to it.',
  FP_LIST_NOT_OFFERED:
    '{url} is not offered ({answer}), so it is not known what there is to rehearse. Serve with --list, then rehearse again.',
  // images
  FP_IMAGE_UNKNOWN: 'There is no image {image} in {folder}. {hint}',
  FP_IMAGE_CHANGED: '{image} changed while it was being served; it is being read again.',
  FP_IMAGE_NOT_READY: '{image} is not on offer any more in the version that was asked for.',
  FP_NO_DIGEST:
    'The text holds no digest that can be compared. Paste the 32 to 128 hex digits that the maker published. {why}',
  FP_DIGEST_OF_OTHERS:
    'The text is about {files}, not about {image}: nothing was recorded. If a digest in it is meant for {image}, paste that digest alone.',
  FP_IMAGE_UNREAD:
    '{image} is {state}, so nobody can fetch it. Decide on it once its digest is known: try again in a moment.',
  FP_NOT_STRIKEABLE:
    'Entry {seq} cannot be struck: {why}. "fetchproof strike" without a number lists what can be.',
  FP_NOT_HELD: '{image} is not held (it is {state}): there is nothing to lift.',
  FP_BUSY: 'No place for one more fetch: {why}.',
  FP_IMAGE_UNREADABLE: '{image} could not be read ({cause}).',
  FP_IMAGE_OUTSIDE:
    '{image} leads out of what is offered of the staging folder {folder}. Put the file itself into the folder.',
  FP_IMAGE_NOT_FILE: '{image} is not a regular file. Only regular files are offered.',
  // the bench page and its API
  FP_PAGE_HOST: 'The bench page answers only under a loopback name and its own port, not under {host}.',
  FP_PAGE_ORIGIN: 'This request came from another page ({origin}). Only the bench page itself may ask here.',
  FP_PAGE_TOKEN:
    'A change needs the token of this folder. Open the page at the address that "fetchproof serve" printed.',
  FP_PAGE_REQUEST: 'The request is not usable: {why}.',
  FP_PAGE_BUSY: 'Too many pages are open on this server ({most}). Close one of them.',
  FP_DROP_NAME: 'A file cannot be put into the staging folder under the name {file}: {why}.',
  FP_DROP_EXISTS: '{file} is in the staging folder already. Replace it only if you mean to.',
  FP_DROP_NO_ROOM: 'There is no room for {file}: the disk of the staging folder has {free} bytes left.',
  FP_DROP_CUT: '{file} did not arrive completely ({why}). Nothing of it was kept; drop it again.',
  FP_SHEET_EXISTS:
    '{file} is in the staging folder already and stays as it is. Move it away first, then save again.',
  FP_SHEET_UNWRITABLE:
    '{file} cannot be written into the staging folder ({cause}). Check its permissions and its disk.',
} as const

export type ErrorCode = keyof typeof ERROR_MESSAGES
type ErrorFields = Readonly<Record<string, string | number>>

/** An expected failure with a stable `code`, the `fields` its message was made from, and the original `cause`. */
export class FetchproofError extends Error {
  readonly code: ErrorCode
  readonly fields: ErrorFields

  constructor(code: ErrorCode, fields: ErrorFields = {}, options?: { cause?: unknown }) {
    super(fillMessage(ERROR_MESSAGES[code], fields), options)
    this.name = 'FetchproofError'
    this.code = code
    this.fields = Object.freeze({ ...fields })
  }
}

/** Bad usage of the command line; `why` says what to type instead. */
export function usageError(why: string, cause?: unknown): FetchproofError {
  return new FetchproofError('FP_USAGE', { why }, { cause })
}

export function isFetchproofError(error: unknown, code?: ErrorCode): error is FetchproofError {
  return error instanceof FetchproofError && (code === undefined || error.code === code)
}

/** The system's own error code (`ENOENT`, …) of a caught value, or undefined. */
export function systemCode(error: unknown): string | undefined {
  if (typeof error !== 'object' || error === null || !('code' in error)) return undefined
  return typeof error.code === 'string' ? error.code : undefined
}

/** What a caught value says. */
export function messageOf(error: unknown): string {
  return error instanceof Error ? error.message : String(error)
}

function fillMessage(template: string, fields: ErrorFields): string {
  return template.replace(/\{(\w+)\}/g, (_whole, name: string) => String(fields[name] ?? ''))
}
