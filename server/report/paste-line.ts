/** Lines to paste with `{url} {host} {port} {path} {name} {bytes} {sha256} {md5}` in them, filled for one image. */
import type { PASTE_FIELDS } from '../settings.ts'
import { visible } from '../wording/visible.ts'

interface LineFacts {
  /** Without a slash at the end. */
  readonly baseUrl: string
  /** Canonical address, IPv6 without brackets. */
  readonly host: string
  readonly port: number
  readonly plainPath: string
  readonly bytes: number
  readonly sha256: string | null
  readonly md5: string | null
}

/** The line, or undefined while a digest that it asks for is not known. */
export function filledLine(line: string, facts: LineFacts): string | undefined {
  const { plainPath } = facts
  const values: Readonly<Record<(typeof PASTE_FIELDS)[number], string | null>> = {
    url: facts.baseUrl + plainPath,
    host: facts.host,
    port: String(facts.port),
    path: plainPath,
    name: plainPath.slice(plainPath.lastIndexOf('/') + 1),
    bytes: String(facts.bytes),
    sha256: facts.sha256,
    md5: facts.md5,
  }
  let missing = false
  const text = line.replace(/\{(\w+)\}/g, (whole, field: string) => {
    const value = Object.hasOwn(values, field) ? values[field as keyof typeof values] : whole
    if (value === null) missing = true
    return value ?? ''
  })
  return missing ? undefined : visible(text)
}
