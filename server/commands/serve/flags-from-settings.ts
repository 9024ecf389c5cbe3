/** The flags of `serve`, one a setting: its name, what it takes, what it means and its default come from the schema. */
import { Option } from 'commander'
import { DEFAULTS } from '../../defaults.ts'
import { SETTING_SCHEMAS } from '../../settings.ts'
import { wholeNumber } from '../options.ts'

interface Described {
  readonly description?: string
  /** What stands for its value in the usage. */
  readonly takes?: string
}

/** Settings without a default are none: the folder is the argument, and --records a flag of every command. */
export function serveOptions(): Option[] {
  const defaults: Readonly<Record<string, unknown>> = DEFAULTS
  return Object.entries(SETTING_SCHEMAS)
    .filter(([name]) => name in defaults)
    .map(([name, schema]) => optionOf(name, schema as Described, defaults[name]))
}

/** A setting without a description is for tests and rare needs: it can be set, and is not listed. */
function optionOf(name: string, { description = '', takes }: Described, usual: unknown): Option {
  const flag = name.replace(/[A-Z]/g, (capital) => `-${capital.toLowerCase()}`)
  if (typeof usual === 'boolean') {
    return new Option(usual ? `--no-${flag}` : `--${flag}`, description).hideHelp(description === '')
  }
  const value = `--${flag} <${takes ?? (name.endsWith('Ms') ? 'ms' : 'number')}>`
  const option = Array.isArray(usual)
    ? new Option(value, description).argParser(collected)
    : new Option(value, usual === null ? description : `${description} (default: ${usual})`).argParser(
        wholeNumber,
      )
  return option.hideHelp(description === '')
}

function collected(text: string, before: readonly string[] | undefined): string[] {
  return [...(before ?? []), text]
}
