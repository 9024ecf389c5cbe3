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

const writers = new Map<EntryKind, Validator>()
const readers = new Map<EntryKind, Validator>()

/** Throws TypeError naming the member that does not fit. A mistake in the program, never in what came from outside. */
export function assertEntry(entry: Entry): void {
  const { kind } = entry
  const validator = validatorOf(kind)
  if (validator.Check(entry)) return
  const first = validator.Errors(entry)[0]
  const where = first?.instancePath.slice(1).replaceAll('/', '.') ?? ''
  const extra = (first?.params as { additionalProperties?: readonly string[] } | undefined)
    ?.additionalProperties
  const what = extra === undefined ? `${first?.message}` : `must not have ${extra.join(', ')}`
  throw new TypeError(`The entry "${kind}" does not fit its schema: ${where} ${what}`.trimEnd())
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
  const validator = readers.get(kind) ?? readerOf(kind)
  if (validator === undefined || validator.Check(entry)) return undefined
  const first = validator.Errors(entry)[0]
  const where = first?.instancePath.slice(1).replaceAll('/', '.')
  return `it is not formed as the entry "${kind}" is: ${where} ${first?.message}`
}

/** Of what is left after the line's own check, which looked at `seq`, `prev` and `sum`. */
function readerOf(kind: EntryKind): Validator | undefined {
  if (!Object.hasOwn(ENTRY_BODIES, kind)) return undefined
  const body = Type.Object({ at: Time, ...ENTRY_BODIES[kind] })
  const validator = Compile(JSON.parse(JSON.stringify(body, leavingUnknown)) as TSchema)
  readers.set(kind, validator)
  return validator
}

function leavingUnknown(name: string, value: unknown): unknown {
  return name === 'additionalProperties' && value === false ? undefined : value
}

function validatorOf(kind: EntryKind): Validator {
  let validator = writers.get(kind)
  if (validator === undefined) {
    const schema = ENTRY_SCHEMAS[kind]
    if (schema === undefined) throw new TypeError(`The ledger knows no entry "${String(kind)}".`)
    validator = Compile(schema)
    writers.set(kind, validator)
  }
  return validator
}
