/**
 * Lines that say exactly what they mean: GNU coreutils' (`HEX  NAME`, `HEX *NAME`, a leading backslash when the name is
 * escaped; coreutils manual, "md5sum invocation"), its tagged form, which is BSD's (`SHA256 (NAME) = HEX`), and
 * OpenSSL's (`SHA2-256(NAME)= HEX`).
 */
import { isFileLike, type NamesIn } from './file-names.ts'
import { type Label, labelIn } from './labels.ts'

interface ExactLine {
  readonly label?: Label
  /** Absent for standard input. */
  readonly name?: NamesIn
}

const TAGGED = /^\s*(\\?)([A-Za-z][\w/-]*) ?\((.*)\)\s?[=:]\s*$/
/** Two blanks, or one and `*`; the older BSD order has a single blank, which coreutils reads too. */
const NAMED = /^(?: ([ *])|\t+| )(.+)$/

/** Undefined: the line has another form. `what`: it has this one, and a fault. */
export function exactLine(before: string, after: string): ExactLine | { readonly what: string } | undefined {
  const tagged = after.trim() === '' ? TAGGED.exec(before) : null
  const label = tagged === null ? undefined : labelIn(tagged[2] ?? '')
  if (label !== undefined) return withName(tagged?.[3] ?? '', tagged?.[1] === '\\', { label })
  const front = /^[ \t]*(\\?)$/.exec(before)
  const named = front === null ? null : NAMED.exec(after)
  if (front === null || named === null) return undefined
  const [, mode, name = ''] = named
  if (mode === undefined && !(isFileLike(name) && /^[\w./\\]\S*$/.test(name))) return undefined
  return withName(name, front[1] === '\\', {})
}

function withName(written: string, escaped: boolean, line: ExactLine): ExactLine | { readonly what: string } {
  if (written.trim() === '-' || written.trim() === '') return line
  const name = escaped ? unescaped(written) : written
  if (name === undefined)
    return { what: 'The file name has a backslash escape other than \\\\, \\n and \\r.' }
  // A column may follow.
  const [column = name] = name.trim().split(/ {2,}|\t/)
  return { ...line, name: { names: column === name ? [name] : [name, column], certain: true, ofLine: true } }
}

const ESCAPES: Readonly<Record<string, string>> = { '\\': '\\', n: '\n', r: '\r' }

function unescaped(name: string): string | undefined {
  let bad = false
  const plain = name.replace(/\\(.?)/gs, (_whole, letter: string) => {
    const character = ESCAPES[letter]
    if (character === undefined) bad = true
    return character ?? ''
  })
  return bad ? undefined : plain
}
