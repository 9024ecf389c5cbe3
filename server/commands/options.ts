/** Flags that several commands share, and how their text becomes values. */
import { InvalidArgumentError, Option } from 'commander'

/** Of commands that only read. */
export interface ReadingFlags {
  readonly records?: string
  readonly format: 'text' | 'json'
}

/** Of commands whose argument is something else than the folder, and that record who decided. */
export interface RecordingFlags extends ReadingFlags {
  readonly by?: string
  readonly folder: string
}

export const DEFAULT_FOLDER = './staging'

export function wholeNumber(text: string): number {
  if (!/^\d{1,15}$/.test(text)) throw new InvalidArgumentError('It must be a whole number.')
  return Number(text)
}

export function formatOption(...formats: readonly string[]): Option {
  return new Option('--format <format>', 'how to print').choices(formats).default('text')
}

export function recordsOption(): Option {
  return new Option(
    '--records <folder>',
    'where the ledger is kept (default: .fetchproof in the staging folder)',
  )
}

export function folderOption(): Option {
  return new Option('--folder <folder>', 'the staging folder').default(DEFAULT_FOLDER)
}

export function byOption(): Option {
  return new Option('--by <name>', 'who does it (default: who is logged in)')
}
