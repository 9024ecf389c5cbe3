/**
 * Holds an entry against its schema: before it is written, since a ledger is for good and a mistake in it would be too,
 * and when it is read back, since it may be crafted.
 */
import Type, { type TSchema } from 'typebox'
import { Compile, type Validator } from 'typebox/compile'
import {
  ENTRY_BODIES,
  ENTRY_SCHEMAS,
  type Entry,
  type EntryKind,
  SHEET_ROWS_AT_MOST,
  Time,
} from './entries.ts'

const writtenAs = createValidators((kind) => ENTRY_SCHEMAS[kind])
/** Of what is left after the line's own check, which looked at `seq`, `prev` and `sum`. */
const readAs = createValidators((kind) => {
  const body = Type.Object({ at: Time, ...ENTRY_BODIES[kind] })
  return JSON.parse(JSON.stringify(body, leavingUnknown)) as TSchema
})

/** Throws TypeError naming the member that does not fit. A mistake in the program, never in what came from outside. */
export function assertEntry(entry: Entry): void {
  const { kind } = entry
  const validator = writtenAs(kind)
  if (validator === undefined) throw new TypeError(`The ledger knows no entry "${String(kind)}".`)
  if (validator.Check(entry)) return
  const first = validator.Errors(entry)[0]
  const extra = (first?.params as { additionalProperties?: readonly string[] } | undefined)
    ?.additionalProperties
  const what = extra === undefined ? first?.message : `must not have ${extra.join(', ')}`
  throw new TypeError(`The entry "${kind}" does not fit its schema: ${memberOf(first)} ${what}`)
}

/**
 * Why an entry that was read back is not formed as its kind is; undefined when it is. Kinds and members that are not
 * known come from a later program and are left alone. With it reading takes about a sixth longer.
 */
export function misformed(entry: Entry): string | undefined {
  const { kind } = entry
  // Counted before they are looked at: five million rows would take minutes.
  if (kind === 'sheet' && Array.isArray(entry.rows) && entry.rows.length > SHEET_ROWS_AT_MOST) {
    return `it is not formed as the entry "sheet" is: it has more than ${SHEET_ROWS_AT_MOST} rows`
  }
  const validator = readAs(kind)
  if (validator === undefined || validator.Check(entry)) return undefined
  const first = validator.Errors(entry)[0]
  return `it is not formed as the entry "${kind}" is: ${memberOf(first)} ${first?.message}`
}

/** Compiled when first asked for; undefined for a kind that this program does not know. */
function createValidators(schemaOf: (kind: EntryKind) => TSchema) {
  const known = new Map<EntryKind, Validator>()
  return (kind: EntryKind): Validator | undefined => {
    if (!known.has(kind) && Object.hasOwn(ENTRY_BODIES, kind)) known.set(kind, Compile(schemaOf(kind)))
    return known.get(kind)
  }
}

function leavingUnknown(name: string, value: unknown): unknown {
  return name === 'additionalProperties' && value === false ? undefined : value
}

function memberOf(fault: { readonly instancePath: string } | undefined): string | undefined {
  return fault?.instancePath.slice(1).replaceAll('/', '.')
}
