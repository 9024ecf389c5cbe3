/** A text, line by line -> the digests that it states: exact forms first, then rows of tables, then words around a digest. */
import { ALGORITHM_FACTS, type Algorithm, algorithmOfDigits } from './algorithm.ts'
import { cellsOf, headingCells, namesInRow } from './cells.ts'
import { exactLine } from './exact-forms.ts'
import { isFileLike, type NamesIn, namesIn, readWords, withoutFiles } from './file-names.ts'
import { choosePieces } from './hex-pieces.ts'
import type { HexPiece } from './hex-words.ts'
import { type Label, labelAround, labelIn } from './labels.ts'
import { createPairing, type StatedDigest } from './pairing.ts'

interface NotRead {
  /** From 1; 0 when it is about the whole text. */
  readonly line: number
  readonly what: string
  /** What it may be about. */
  readonly names?: readonly string[]
}

export interface StatementsFound {
  readonly stated: readonly StatedDigest[]
  /** Digests that could not be used; in a list also lines that say nothing that is understood. */
  readonly notRead: readonly NotRead[]
  /** Most lines do nothing else than tie a digest to a name, or are a digest. */
  readonly isList: boolean
}

export type Statements = ReturnType<typeof createStatements>

/** A text of nonsense would otherwise give one a line. */
const MOST_NOT_READ = 20
/** A heading is not longer. */
const HEADING_WORDS = 6
/** A list with more to say of each file is meant for devices. */
const MOST_LIST_CELLS = 4
/** Further away from a digest its name does not stand (Linux: PATH_MAX). */
const LONGEST_PART = 4096
/** `Size: 12 MB`, and what heads a table. */
const ATTRIBUTE = /^\s*["']?[A-Za-z][\w -]{0,30}["']?\s*[:=]\s*\S/
/** A sentence that names the file of the digest below it. */
const NAMING = /:\s*$|\b(?:hash|checksum|digest)\b/i
/** `key=value`: of a configuration. */
const SETTING = /^\s*[\w.-]+=\S/
const HEADING = /:\s*$|^\W*(?:version|release)\b|\b(?:hash|checksums?|digests?)\b/i
/** POSIX cksum and sum: another CRC, the size, the file. */
const DECIMAL = /^\s*\d{4,10}\s+\d+\s+\S/
const FRAME = /^(?:Hash: \S+$|CertUtil:)/
const RULE = /^[\s|:=+_-]*$/
const COMMENT = /^\s*(?:[#;%]|\/\/)/

/** `expected`: the algorithm that the text's own name gives. */
export function createStatements(expected: Algorithm | undefined) {
  // Long: one text, line by line; what a line says depends on all that the lines before have said.
  const pairing = createPairing()
  const notRead = createNotes()
  const unread = createNotes()
  let lines = 0
  let tying = 0
  let digests = 0
  let number = 0
  let armour = false
  /** Of headings, and of a line in this block. */
  const labels: { above?: Label | undefined; inBlock?: Label | undefined } = {}
  let heading: readonly string[] | undefined
  let above = ''
  const labelInForce = () => labels.inBlock ?? labels.above

  function state(line: number, value: string, own: Label | undefined, name: NamesIn | undefined): boolean {
    const known = algorithmOf(value, own, labelInForce(), expected)
    if ('what' in known) {
      notRead.add(line, known.what, (name ?? pairing.nameNow())?.names)
      return false
    }
    const said = known.said || name?.certain === true
    pairing.digest({ algorithm: known.algorithm, digest: value, line, said }, name)
    return true
  }

  /** A line that holds no digest: what it says of those that follow. */
  function words(text: string): void {
    if (text.trim() === '') {
      pairing.blockEnds()
      labels.inBlock = undefined
    }
    if (RULE.test(text)) return
    if (!/^\s*(?:#|;|\/\/)/.test(text)) above = text
    heading = undefined
    const few = text.trim().split(/\s+/, HEADING_WORDS + 1).length <= HEADING_WORDS
    const label = few ? labelAround(withoutFiles(text), '') : undefined
    if (label !== undefined) labels.inBlock = label
    const { isAbout, name } = readWords(text)
    if (label !== undefined && isAbout) labels.above = label
    const isName = name?.certain === true && (few || NAMING.test(text))
    if (name !== undefined && (isName || /^\W*(?:file ?)?(?:name|file|path)\W*[:=]/i.test(text)))
      pairing.name(name)
    if (COMMENT.test(text)) return
    lines += 1
    const isNothingElse = isAbout || (isName && !/\s/.test(name.names[0] ?? ''))
    if (isNothingElse && !SETTING.test(text)) tying += 1
    if (DECIMAL.test(text) && isFileLike(text))
      notRead.add(number, 'A checksum in decimal digits is not compared here.')
    else if (label === undefined && !isName && !ATTRIBUTE.test(text) && !(few && HEADING.test(text)))
      unread.add(number, 'This is neither a digest with a file name nor a comment.')
  }

  function row(text: string, cells: readonly string[], pieces: readonly HexPiece[]): boolean {
    heading ??= headingCells(above, cells)
    let at = 0
    const places = pieces.map(({ start, end }) => {
      while (at < cells.length - 1 && cells[at]?.includes(text.slice(start, end)) === false) at += 1
      return at
    })
    const taken = new Set(places)
    const names = namesInRow(cells, heading, taken)
    const said = cells.map((cell, place) => (taken.has(place) ? undefined : labelIn(withoutFiles(cell))))
    const ofRow = said.find((label) => label !== undefined)
    for (const [index, piece] of pieces.entries()) {
      const place = places[index] ?? 0
      const column = heading[place]
      const own = labelAround(cells[place] ?? '', '') ?? (column && labelAround(`${column}:`, ''))
      state(number, piece.value, own || ofRow, names.length === pieces.length ? names[index] : names[0])
    }
    return names.length > 0 && cells.length <= MOST_LIST_CELLS
  }

  function sentence(text: string, pieces: readonly HexPiece[]): boolean {
    const parts = [...pieces, undefined].map((piece, at) => {
      const end = piece?.start ?? text.length
      const from = pieces[at - 1]?.end ?? 0
      return text.slice(piece === undefined ? from : Math.max(from, end - LONGEST_PART), end)
    })
    const found = parts.map(namesIn)
    const digestsFirst = found[0]?.certain !== true && found.some((name) => name?.certain === true)
    const names = digestsFirst ? carriedOn(found.toReversed()).toReversed() : carriedOn(found)
    let isPlain = true
    for (const [at, piece] of pieces.entries()) {
      const own = labelAround(withoutFiles(parts[at] ?? ''), parts[at + 1] ?? '')
      const name = digestsFirst ? (names[at + 1] ?? names[at]) : (names[at] ?? names[at + 1])
      const isAlone = name === undefined || (name.certain && name.names.length === 1)
      isPlain = state(number, piece.value, own, name) && isPlain && isAlone
    }
    return isPlain
  }

  function withDigests(text: string, pieces: readonly HexPiece[], first: HexPiece): boolean {
    if (COMMENT.test(text)) {
      notRead.add(number, 'The digest stands in a comment; it is not compared.')
      return false
    }
    const exact = pieces.length > 1 ? undefined : exactLine(text.slice(0, first.start), text.slice(first.end))
    if (exact === undefined) {
      const cells = cellsOf(text, first.start, first.end)
      return cells === undefined ? sentence(text, pieces) : row(text, cells, pieces)
    }
    if (!('what' in exact)) return state(number, first.value, exact.label, exact.name)
    notRead.add(number, exact.what)
    return false
  }

  return {
    /**
     * The next line, with the pieces that begin on it; their offsets count within it. Returns where what was taken of
     * it ends: a wrapped digest ends in a later line.
     */
    line(at: number, text: string, all: readonly HexPiece[]): number {
      number = at
      if (text.startsWith('-----')) armour = text.startsWith('-----BEGIN PGP SIGNATURE')
      if (armour || text.startsWith('-----') || FRAME.test(text)) return 0
      const inForce = labelInForce()?.algorithm ?? expected
      const pieces = choosePieces(text, all, inForce, above)
      const [first] = pieces
      if (first === undefined) words(text)
      else {
        lines += 1
        if (withDigests(text, pieces, first) && !SETTING.test(text)) digests += 1
      }
      return pieces.at(-1)?.end ?? 0
    },
    /** A digest that stands elsewhere than on a line of words; false when it is none that is compared. */
    state,
    end(): StatementsFound {
      const isList = digests > 0 && (digests + tying) * 2 >= lines
      const told = isList ? [...notRead.all(), ...unread.all()] : notRead.all()
      return { stated: pairing.end(), notRead: told.sort((a, b) => a.line - b.line), isList }
    },
  }
}

/** Each name holds until the next one that is certain. */
function carriedOn(names: readonly (NamesIn | undefined)[]) {
  let held: NamesIn | undefined
  return names.map((name) => {
    held = name?.certain ? name : (held ?? name)
    return held
  })
}

type Known = { readonly algorithm: Algorithm; readonly said: boolean } | { readonly what: string }

/** The nearest label decides; then headings, as far as the length agrees; then the text's own name; then the length. */
function algorithmOf(
  value: string,
  own: Label | undefined,
  heading: Label | undefined,
  expected: Algorithm | undefined,
): Known {
  const byLength = algorithmOfDigits(value.length)
  if (!/^[0-9a-f]+$/.test(value)) return { what: 'A letter that is no hex digit stands in the digest.' }
  if (own?.algorithm !== undefined && own.algorithm !== byLength) return wrongLength(value, own.algorithm)
  if (own?.algorithm !== undefined) return { algorithm: own.algorithm, said: true }
  const other = own ?? (heading?.algorithm === undefined ? heading : undefined)
  if (other !== undefined) return { what: `"${other.words}" is not compared here.` }
  if (byLength === undefined) return { what: `${value.length} hex digits are no digest that is known here.` }
  if (heading?.algorithm === byLength) return { algorithm: byLength, said: true }
  if (expected !== undefined && expected !== byLength) return wrongLength(value, expected)
  return { algorithm: byLength, said: expected === byLength }
}

function wrongLength(value: string, algorithm: Algorithm): Known {
  const { label, digits } = ALGORITHM_FACTS[algorithm]
  return { what: `The digest has ${value.length} hex digits; ${label} has ${digits}.` }
}

function createNotes() {
  const notes: NotRead[] = []
  let count = 0
  return {
    add(line: number, what: string, names?: readonly string[]): void {
      count += 1
      if (notes.length < MOST_NOT_READ) notes.push({ line, what, ...(names && { names }) })
    },
    all(): NotRead[] {
      const more = count - notes.length
      return more === 0 ? notes : [...notes, { line: 0, what: `${more} more lines are like these.` }]
    },
  }
}
