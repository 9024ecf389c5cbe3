/** Every default setting, its unit in its name; apart from the schemas, so that neither the usage nor reading a ledger needs them. */
import type { SettingsInput } from './settings.ts'

/** Where the ledger is kept in a staging folder. */
export const RECORDS_FOLDER = '.fetchproof'

/** Of the latest pulls so many are kept whatever they are, and listed on the page. */
export const PULLS_KEPT = 1_000

export const DEFAULTS = Object.freeze({
  listen: [],
  port: null,
  pagePort: 8081,
  page: true,
  open: false,
  newToken: false,
  allow: [],
  allowTunnels: false,
  tftp: false,
  tftpPort: 69,
  list: false,
  maxFetches: 512,
  maxFetchesPerClient: 16,
  settleMs: 2_000,
  settleUnsureMs: 15_000,
  rescanMs: 10_000,
  lingerMs: 15 * 60_000,
  pauseMs: 15 * 60_000,
  requestMs: 30_000,
  stalledMs: 5_000,
  blockCacheBytes: 32 * 1024 * 1024,
  onlyPlanned: false,
  watchReturn: false,
  watchReturnPort: 22,
  watchReturnEveryMs: 5_000,
  notBackMs: 15 * 60_000,
  keepAwake: false,
  paste: [],
} satisfies Omit<SettingsInput, 'folder' | 'records'>)
