/**
 * The file names in the words beside a digest, as people, pages and tools write them: after a label, in quotes, as the
 * cell of a table, in a sentence, with its size behind it.
 */
import { withoutAlgorithms } from './labels.ts'

export interface NamesIn {
  /** What is left when all that is no name is taken away, then the words in it that look like files. */
  readonly names: readonly string[]
  /** It looks like a file; else it is perhaps a name, perhaps a word about the digest. */
  readonly certain: boolean
  /** It stands for the digest of its line and for none below it. */
  readonly ofLine?: true
}

const IN_NAME = '[^\\s"\'`<>|()[\\]{},;:=*\u201c\u201d]'
/** An extension begins with a letter, but for two: `fw-4.2` is no file by its look, `4.2.bin` is. */
const EXTENSION = '[^\\s./\\\\]\\.(?:[A-Za-z][\\w-]{0,11}|7z|\\d{3})'
const FILE = new RegExp(`(?<!${IN_NAME})${IN_NAME}*${EXTENSION}(?![\\w/\\\\])`, 'g')
const ENDS_AS_FILE = new RegExp(`${EXTENSION}$`)
const LABEL =
  /^(?:.*[\s"'{,])?(?:file[-_ ]?name|file|name|path|image|url|title|asset|package)["'*`]*\s*[:=]\s*(.+)$/i
/** What stands around a name and is no part of it. */
const MARKS = new Set(' \t\n"\'`|<>,;:=#*\u2013\u2014\u201c\u201d\u2018\u2019\u00ab\u00bb\u2022\u00b7\u2192')
const LIST_MARK_STARTS = new Set('-+[0123456789')
const LIST_MARK = /^(?:-+[>\s]|\+\s|\d{1,3}[.)]\s|\[[ x]?\]\s)/
const ABOUT =
  /^(?:the|a|an|its|of|for|from|in|is|are|has|as|and|with|this|check|checksums?|hash(?:es)?|digests?|sums?|algorithm|values?|file|image|firmware|download|size|sha|hex|[-=]>?|[\d.,]+(?:[kmg]i?b|bytes?)?|[kmg]i?b|bytes?)$/i
const LONGEST_ABOUT = 24
/** A path is no longer anywhere (Linux: PATH_MAX). */
const LONGEST = 4096
const MOST_NAMES = 6

/**
 * What the words of a line, or of a part of one, are about. `part`: what stands between two digests or line ends, or a
 * cell.
 */
export function readWords(part: string) {
  const text = part.slice(0, LONGEST)
  const plain = bare(text)
  const labelled = LABEL.exec(text)?.[1]
  const literal = labelled === undefined ? plain : bare(labelled)
  return {
    /** Nothing is in them but marks, names of algorithms and words about digests. */
    isAbout: plain === '',
    name: literal === '' ? undefined : nameOf(literal, labelled !== undefined),
  }
}

/** Undefined: it holds no name. */
export function namesIn(part: string): NamesIn | undefined {
  return readWords(part).name
}

function nameOf(literal: string, isLabelled: boolean): NamesIn | undefined {
  const files = literal.match(FILE) ?? []
  const others = files.filter((file) => file !== literal)
  const names = others.length === 0 ? [literal] : [...new Set([literal, ...others])].slice(0, MOST_NAMES)
  if (files.length > 0 || isFileLike(literal)) return { names, certain: true }
  return /\s.*\s/.test(literal) && !isLabelled ? undefined : { names, certain: false }
}

export function isFileLike(text: string): boolean {
  return ENDS_AS_FILE.test(text)
}

/** Without files, for reading the other words: `fw-md5.bin` names no algorithm. */
export function withoutFiles(text: string): string {
  return text.replace(FILE, ' ')
}

/** Without marks, names of algorithms, sizes and words about digests at either end. */
function bare(text: string): string {
  const plain = unwrapped(text)
  const words = plain.split(/(\s+)/)
  let first = 0
  let end = words.length
  while (first < end && isWordAbout(words[first] ?? '')) first += 1
  while (end > first && isWordAbout(words[end - 1] ?? '')) end -= 1
  return end - first === words.length ? plain : unwrapped(words.slice(first, end).join(''))
}

/** `(fw.bin)`, or the text of a Markdown link. */
function unwrapped(text: string): string {
  const left = stripped(text)
  if (!/^[[(]/.test(left)) return left
  const wrapped = /^\[([^\]]+)\]\([^)\s]+\)$/.exec(left) ?? /^\(([^()]+)\)$/.exec(left)
  return wrapped === null ? left : stripped(wrapped[1] ?? '')
}

function stripped(text: string): string {
  let first = 0
  let end = text.length
  while (first < end) {
    const letter = text[first] ?? ''
    const mark = LIST_MARK_STARTS.has(letter)
      ? LIST_MARK.exec(text.slice(first, first + 8))?.[0].length
      : undefined
    if (mark === undefined && !MARKS.has(letter)) break
    first += mark ?? 1
  }
  while (end > first && MARKS.has(text[end - 1] ?? '')) end -= 1
  return text.slice(first, end)
}

function isWordAbout(word: string): boolean {
  if (word.length > LONGEST_ABOUT) return false
  const plain = word.replace(/^[([{"'`]+|[)\]}"'`:,.;=]+$/g, '')
  return ABOUT.test(plain) || !/[0-9A-Za-z]/.test(withoutAlgorithms(plain))
}
