/** Holds an entry against its schema before it is written: a ledger is for good, a mistake in it would be too. */
import { Compile, type Validator } from 'typebox/compile'
import { ENTRY_SCHEMAS, type Entry, type EntryKind } from './entries.ts'

const validators = new Map<EntryKind, Validator>()

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

/** What the schema library says of a member that it does not know. */
const UNKNOWN_MEMBER: ReadonlySet<string> = new Set(['additionalProperties', 'boolean'])

/**
 * Why an entry that was read back is not formed as its kind is; undefined when it is. Kinds and members that are not
 * known come from a later program and are left alone.
 */
export function misformed(entry: Entry): string | undefined {
  const { kind } = entry
  if (!Object.hasOwn(ENTRY_SCHEMAS, kind)) return undefined
  const validator = validatorOf(kind)
  if (validator.Check(entry)) return undefined
  const first = validator.Errors(entry).find(({ keyword }) => !UNKNOWN_MEMBER.has(keyword))
  if (first === undefined) return undefined
  const where = first.instancePath.slice(1).replaceAll('/', '.')
  return `it is not formed as the entry "${kind}" is: ${where} ${first.message}`
}

function validatorOf(kind: EntryKind): Validator {
  let validator = validators.get(kind)
  if (validator === undefined) {
    const schema = ENTRY_SCHEMAS[kind]
    if (schema === undefined) throw new TypeError(`The ledger knows no entry "${String(kind)}".`)
    validator = Compile(schema)
    validators.set(kind, validator)
  }
  return validator
}
