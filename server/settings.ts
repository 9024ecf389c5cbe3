/**
 * Flags and `fetchproof.json` become one frozen Settings value. Every default stands in defaults.ts.
 * `fetchproof.json` comes with the staging folder, which may be borrowed: it can name the visit, lines to paste
 * and link rates, and can set nothing that opens, moves or admits anything.
 */
import { accessSync, constants } from 'node:fs'
import { join, resolve } from 'node:path'
import ipaddr from 'ipaddr.js'
import Type, { type Static, type TSchema } from 'typebox'
import { Pointer, Value } from 'typebox/value'
import { DEFAULTS, RECORDS_FOLDER } from './defaults.ts'
import { FetchproofError, messageOf, systemCode } from './errors.ts'
import { readRegular } from './files/regular-file.ts'

export const SETTINGS_FILE = 'fetchproof.json'
/** A page of text has some 3 KiB. */
const SETTINGS_BYTES_AT_MOST = 256 * 1024
/** Of a wrong value, as much as names it. */
const SHOWN_CHARACTERS = 80

const port = (minimum: number, description: string) => Type.Integer({ minimum, maximum: 65_535, description })
const flag = (description: string) => Type.Boolean({ description })
const several = (takes: string, description: string) => Type.Array(Type.String(), { takes, description })

/** What `serve` takes a flag for each: its --help comes from here. What has no description is not listed there. */
export const SETTING_SCHEMAS = {
  /** Staging folder, absolute. */
  folder: Type.String({ minLength: 1 }),
  /** Folder of the ledger and the catalogue, absolute. */
  records: Type.String({ minLength: 1 }),
  listen: several('address', 'listen on this address only (may be given several times)'),
  port: Type.Union([Type.Integer({ minimum: 0, maximum: 65_535 }), Type.Null()], {
    description:
      'the only image port (default: 8080 or the next free one, and 80 too where the system allows it)',
  }),
  pagePort: port(0, 'port of the bench page, loopback only; 0 takes a free one'),
  page: flag('no bench page; the local API stays'),
  allow: several('range', 'who may fetch, instead of private and own networks (several times)'),
  allowTunnels: flag('also serve what arrives over a tunnel interface'),
  tftp: flag('also serve by TFTP, for boot loaders and phones that know nothing else'),
  /** Each transfer has another one. */
  tftpPort: port(0, 'port that TFTP requests come to'),
  list: flag('offer /SHA256SUMS'),
  maxFetches: Type.Integer({ minimum: 1, maximum: 100_000, description: 'fetches at once' }),
  maxFetchesPerClient: Type.Integer({ minimum: 1, maximum: 100_000 }),
  settleMs: Type.Integer({ minimum: 0, description: 'quiet time before a file is read' }),
  settleUnsureMs: Type.Integer({
    minimum: 0,
    description: 'quiet time of a new file that is not yet known to be complete',
  }),
  paste: several('line', 'a line to paste, with {url} {host} {port} {path} {name} {bytes} {sha256} {md5}'),
  onlyPlanned: flag('refuse an image that visit.csv does not plan for the device'),
  watchReturn: flag('after a pull, connect to the device now and then: when it goes dark, when it is back'),
  watchReturnPort: port(1, 'port that --watch-return connects to'),
  keepAwake: flag('ask the system not to sleep while serving'),
  open: flag('open the bench page in the browser'),
  newToken: flag('a new token for the bench page: addresses printed before allow no change any more'),
  rescanMs: Type.Integer({ minimum: 10 }),
  /** How long a client may take to close after the last byte. */
  lingerMs: Type.Integer({ minimum: 0 }),
  /** How long a client may take without accepting a byte; it may be erasing flash. */
  pauseMs: Type.Integer({ minimum: 1 }),
  /** How long a connection may take to send a complete request. */
  requestMs: Type.Integer({ minimum: 1 }),
  /** Shown as stalled when no byte moved for this long. */
  stalledMs: Type.Integer({ minimum: 1 }),
  blockCacheBytes: Type.Integer({ minimum: 0 }),
  /** How often a device that is watched is looked at. */
  watchReturnEveryMs: Type.Integer({ minimum: 10 }),
  /** A device that is dark for longer needs attention. */
  notBackMs: Type.Integer({ minimum: 1 }),
}

const STRICT = { additionalProperties: false }
const SettingsSchema = Type.Object(SETTING_SCHEMAS, STRICT)

export type SettingsInput = Static<typeof SettingsSchema>

/** Free text: who the visit is for. */
export const VisitDetails = Type.Object(
  {
    engineer: Type.Optional(Type.String()),
    customer: Type.Optional(Type.String()),
    site: Type.Optional(Type.String()),
    changeReference: Type.Optional(Type.String()),
    approver: Type.Optional(Type.String()),
  },
  STRICT,
)

const FolderFileSchema = Type.Object(
  {
    visit: Type.Optional(VisitDetails),
    paste: Type.Optional(Type.Record(Type.String(), Type.String())),
    linkMbps: Type.Optional(Type.Array(Type.Number({ exclusiveMinimum: 0 }))),
  },
  STRICT,
)

/** What a line to paste may name in braces. */
export const PASTE_FIELDS = ['url', 'host', 'port', 'path', 'name', 'bytes', 'sha256', 'md5'] as const

/** What `fetchproof.json` may say. */
type FolderFile = Static<typeof FolderFileSchema>
export type Settings = Readonly<SettingsInput> & { readonly folderFile: Readonly<FolderFile> }

/** Ports tried when `--port` is not given: the first, or one after it, must open; the second is a courtesy. */
export const DEFAULT_PORTS = Object.freeze({ main: 8080, short: 80 })

/** What is undefined has its default. */
type LooseSettings = { folder: string } & {
  [K in keyof SettingsInput]?: SettingsInput[K] | undefined
}

/**
 * Loose flags (already typed by the command line) over the defaults, checked and frozen.
 * Throws FP_SETTING_UNKNOWN, FP_SETTING_BAD, FP_CIDR_BAD.
 */
export function createSettings(loose: LooseSettings): Settings {
  const folder = resolve(loose.folder)
  const given = Object.fromEntries(Object.entries(loose).filter(([, value]) => value !== undefined))
  const merged = {
    ...DEFAULTS,
    ...given,
    folder,
    records: resolve(loose.records ?? join(folder, RECORDS_FOLDER)),
  }
  check(SettingsSchema, merged, 'the command line')
  for (const range of merged.allow) checkRange(range)
  for (const line of merged.paste) checkPasteLine(line, '--paste', line)
  return Object.freeze({ ...merged, folderFile: readFolderFile(folder) })
}

/** `fetchproof.json` of a folder; an absent one is empty. Throws FP_SETTING_UNKNOWN, FP_SETTING_BAD. */
function readFolderFile(folder: string): FolderFile {
  const path = join(folder, SETTINGS_FILE)
  let text: string
  try {
    text = readRegular(path, SETTINGS_BYTES_AT_MOST, { followLink: true }).toString('utf8')
  } catch (error) {
    if (['ENOENT', 'ENOTDIR'].includes(systemCode(error) ?? '') || !isSearchable(folder)) return {}
    throw bad(SETTINGS_FILE, path, `it cannot be read (${messageOf(error)}).`, error)
  }
  let parsed: unknown
  try {
    parsed = JSON.parse(text.replace(/^\uFEFF/, ''))
  } catch (error) {
    throw bad(SETTINGS_FILE, path, `it is not valid JSON (${messageOf(error)}).`, error)
  }
  check(FolderFileSchema, parsed, SETTINGS_FILE)
  for (const [name, line] of Object.entries(parsed.paste ?? {})) {
    checkPasteLine(line, `${SETTINGS_FILE} paste`, name)
  }
  return Object.freeze(parsed)
}

function bad(setting: string, value: string, why: string, cause?: unknown): FetchproofError {
  return new FetchproofError('FP_SETTING_BAD', { setting, value, why }, { cause })
}

/** A misspelt field would be pasted into a console as it stands. */
function checkPasteLine(line: string, setting: string, value: string): void {
  // biome-ignore lint/suspicious/noControlCharactersInRegex: refusing control characters is the purpose
  if (/[\u0000-\u001f\u007f-\u009f]/.test(line)) {
    throw bad(setting, shown(value), 'a line to paste may hold no control characters.')
  }
  const fields: readonly string[] = PASTE_FIELDS
  const unknown = [...line.matchAll(/\{(\w+)\}/g)].find(([, field = '']) => !fields.includes(field))
  if (unknown === undefined) return
  const why = `${unknown[0]} is no field of a line to paste. There are {${fields.join('} {')}}.`
  throw bad(setting, shown(value), why)
}

/** A folder that cannot be looked into is another matter than a file that cannot be read; who opens it says so. */
function isSearchable(folder: string): boolean {
  try {
    accessSync(folder, constants.R_OK | constants.X_OK)
    return true
  } catch {
    return false
  }
}

/** `source`: where the value comes from, in words. */
function check<T extends TSchema>(schema: T, value: unknown, source: string): asserts value is Static<T> {
  const errors = [...Value.Errors(schema, value)]
  const unknown = errors.find(({ keyword }) => keyword === 'additionalProperties')
  if (unknown !== undefined) {
    const { instancePath: at, params } = unknown
    const [name = '?'] = (params as { additionalProperties?: string[] }).additionalProperties ?? []
    const place = Pointer.Get(schema, at.replaceAll('/', '/properties/')) as { properties?: object }
    throw new FetchproofError('FP_SETTING_UNKNOWN', {
      setting: [...Pointer.Indices(at), name].join('.'),
      source,
      hint: `Remove it or correct its name. Known here: ${Object.keys(place.properties ?? {}).join(', ')}.`,
    })
  }
  const [first] = errors
  if (first === undefined) return
  const where = Pointer.Indices(first.instancePath).join('.')
  const inFile = source === SETTINGS_FILE ? `${SETTINGS_FILE} ` : ''
  const setting = where === '' ? source : `${inFile}${where}`
  throw bad(setting, shown(Pointer.Get(value, first.instancePath)), `it ${first.message}.`)
}

/** Not by JSON.stringify alone: it recurses, and a file can be nested deeper than the stack. */
function shown(value: unknown): string {
  const isFlat = isScalar(value) || (Array.isArray(value) && value.every(isScalar))
  const text = isFlat ? String(JSON.stringify(value)) : Array.isArray(value) ? '[…]' : '{…}'
  return text.length <= SHOWN_CHARACTERS ? text : `${text.slice(0, SHOWN_CHARACTERS)}…`
}

function isScalar(value: unknown): boolean {
  return typeof value !== 'object' || value === null
}

function checkRange(range: string): void {
  const valid = range.includes('/') ? ipaddr.isValidCIDR(range) : ipaddr.isValid(range)
  if (!valid) throw new FetchproofError('FP_CIDR_BAD', { value: range })
}
