/** Flags that several commands share, and how their text becomes values. */
import { InvalidArgumentError } from 'commander'

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

export function wholeNumber(text: string): number {
  if (!/^\d{1,15}$/.test(text)) throw new InvalidArgumentError('It must be a whole number.')
  return Number(text)
}
