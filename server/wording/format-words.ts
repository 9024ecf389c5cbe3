/** What an image's format check found, in words for terminal, page and report alike. */
import type { Format } from '../ledger/entries.ts'

/** `gzip: sound`, `gzip: damaged, the data ends early`, `no self-check in this format`. */
export function formatWords({ kind, verdict, detail }: Format): string {
  if (verdict === 'unknown') {
    return kind === 'unknown' ? 'no self-check in this format' : `${kind}: no self-check in this format`
  }
  return `${kind}: ${verdict}${detail === undefined || verdict === 'sound' ? '' : `, ${detail}`}`
}
