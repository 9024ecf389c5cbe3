/** A JSON document -> the digests that it states: the keys and values around a digest are its label and its name. */
import { isFileLike, type NamesIn, namesIn } from './file-names.ts'
import { piecesIn } from './hex-pieces.ts'
import { type Label, labelAround, labelIn } from './labels.ts'
import type { Statements } from './statements.ts'
import { tidied } from './text-decoding.ts'

interface Around {
  readonly key: string
  readonly label: Label | undefined
  readonly name: NamesIn | undefined
}

const NAME_KEY = /^(?:file[-_ ]?name|file|name|path|url|image|download[-_ ]?url|browser_download_url)$/i
/** More of a value is prose. */
const LONGEST_VALUE = 4096

/** False: the text is no JSON. `line`: where a value stands. */
export function* stateJson(text: string, statements: Statements): Generator<void, boolean, void> {
  let root: unknown
  try {
    root = JSON.parse(text)
  } catch {
    return false
  }
  const lineOf = linesOfDigits(text)
  const open: { value: unknown; around: Around }[] = [
    { value: root, around: { key: '', label: undefined, name: undefined } },
  ]
  for (let steps = 0; ; steps += 1) {
    const next = open.pop()
    if (next === undefined) return true
    if (steps % VALUES_A_TURN === 0) yield
    const { value, around } = next
    if (typeof value === 'string') stateValue(value, around, statements, lineOf)
    else if (Array.isArray(value)) for (const each of value.reverse()) open.push({ value: each, around })
    else if (typeof value === 'object' && value !== null) {
      const within = namedBy(value as Record<string, unknown>, around)
      for (const [key, each] of Object.entries(value).reverse()) {
        open.push({ value: each, around: aroundMember(key, within) })
        // A digest as key, its file as value.
        if (typeof each === 'string') stateValue(key, { ...within, name: namesIn(each) }, statements, lineOf)
      }
    }
  }
}

const VALUES_A_TURN = 2_000

/** What the members of an object say of each other. */
function namedBy(object: Record<string, unknown>, around: Around): Around {
  let { name, label } = around
  for (const [key, value] of Object.entries(object)) {
    if (typeof value !== 'string') continue
    if (NAME_KEY.test(key) && !(name?.certain === true && !isFileLike(value)))
      name = { names: [value], certain: isFileLike(value) || /file|path/i.test(key) }
    if (/^algo/i.test(key) || /^(?:hash)?type$/i.test(key)) label = labelIn(value) ?? label
  }
  return { ...around, name, label }
}

function aroundMember(key: string, around: Around): Around {
  const label = labelAround(`${key}:`, '') ?? around.label
  const own = isFileLike(key) ? { names: [key], certain: true } : undefined
  return { key, label, name: own ?? around.name ?? { names: [key], certain: false } }
}

function stateValue(
  value: string,
  { key, label, name }: Around,
  statements: Statements,
  lineOf: (value: string) => number,
): void {
  if (value.length > LONGEST_VALUE || !/[0-9A-Za-z+/]{8}/.test(value)) return
  const text = tidied(`${key}: ${value}`)
  const pieces = piecesIn(text)
  const [piece] = pieces.filter((each) => each.start >= key.length)
  if (piece === undefined) return
  const own = labelAround(text.slice(key.length, piece.start), '') ?? label
  statements.state(lineOf(value), piece.value, own, name)
}

/** Where each value stands first; the values of such documents are told apart by their beginnings. */
function linesOfDigits(text: string): (value: string) => number {
  const lines = new Map<string, number>()
  let line = 1
  for (const { 1: word } of text.matchAll(/\n|([0-9A-Za-z+/]{8,})/g)) {
    if (word === undefined) line += 1
    else if (!lines.has(word)) lines.set(word, line)
  }
  return (value) => lines.get(/[0-9A-Za-z+/]{8,}/.exec(value)?.[0] ?? '') ?? 0
}
