/** This program's version, from its package. */
import { readFileSync } from 'node:fs'

/** Two folders up from the source, three from the built file. */
function packageVersion(): string {
  for (const up of ['../../package.json', '../../../package.json']) {
    try {
      const parsed: unknown = JSON.parse(readFileSync(new URL(up, import.meta.url), 'utf8'))
      if (isPackage(parsed) && parsed.name === 'fetchproof') return parsed.version
    } catch {
      // Not there: the other place is.
    }
  }
  return 'unknown'
}

function isPackage(value: unknown): value is { name: string; version: string } {
  return typeof value === 'object' && value !== null && 'name' in value && 'version' in value
}

export const VERSION = packageVersion()
