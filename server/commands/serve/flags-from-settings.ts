/** The flags of `serve`, one a setting: its name, what it takes, what it means and its default come from the schema. */
import { Option } from 'commander'
import { DEFAULTS } from '../../defaults.ts'
import { SETTING_SCHEMAS } from '../../settings.ts'
import { wholeNumber } from '../options.ts'

/** The folder is the argument, and --records a flag of every command. */
const NOT_FLAGS: ReadonlySet<string> = new Set(['folder', 'records'])

export function serveOptions(): Option[] {
  return Object.entries(SETTING_SCHEMAS)
    .filter(([name]) => !NOT_FLAGS.has(name))
    .map(([name, schema]) => optionOf(name as keyof typeof DEFAULTS, schema as Described))
}

interface Described {
  readonly description?: string
  /** What stands for its value in the usage. */
  readonly takes?: string
}

/** A setting without a description is for tests and rare needs: it can be set, and is not listed. */
function optionOf(name: keyof typeof DEFAULTS, { description = '', takes }: Described): Option {
  const usual = DEFAULTS[name]
  const flag = name.replace(/[A-Z]/g, (capital) => `-${capital.toLowerCase()}`)
  const value = takes ?? (name.endsWith('Ms') ? 'ms' : 'number')
  const option =
    typeof usual === 'boolean'
      ? new Option(usual ? `--no-${flag}` : `--${flag}`, description)
      : Array.isArray(usual)
        ? new Option(`--${flag} <${value}>`, description).argParser(collected)
        : new Option(`--${flag} <${value}>`, described(description, usual)).argParser(wholeNumber)
  return option.hideHelp(description === '')
}

function described(description: string, usual: unknown): string {
  return usual === null ? description : `${description} (default: ${usual})`
}

function collected(text: string, before: readonly string[] | undefined): string[] {
  return [...(before ?? []), text]
}
