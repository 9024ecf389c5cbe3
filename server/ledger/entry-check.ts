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
