/**
 * The digests that a text states: a file beside an image, a list, what was pasted as published -> digests, the file
 * names that they stand for, and what was not understood. It takes time in proportion to the text and never throws.
 * What a device printed is read by `../matching/printed-text.ts`, which looks every reading up among the images.
 */
import { setImmediate } from 'node:timers/promises'
import type { Algorithm } from './algorithm.ts'
import { piecesIn } from './hex-pieces.ts'
import type { HexPiece } from './hex-words.ts'
import { stateJson } from './json.ts'
import { createStatements, type Statements, type StatementsFound } from './statements.ts'
import { decodeText, tidied, withoutTags } from './text-decoding.ts'

/** Lists of whole distributions have 5 MB; 16 MiB hold some 200,000 digests. A longer file is no checksum text. */
export const CHECKSUM_TEXT_BYTES = 16 * 1024 * 1024
/** Between two turns of whoever else is served: a few milliseconds of work. */
const CHARACTERS_A_TURN = 16 * 1024

/** Blanks and line ends behind a document. */
const LONGEST_END = 256

/** `expected`: the algorithm that the name of the file gives. */
export function findDigests(content: Uint8Array | string, expected?: Algorithm): StatementsFound {
  const finding = findingDigests(content, expected)
  for (;;) {
    const next = finding.next()
    if (next.done === true) return next.value
  }
}

/** The same in turns of a few milliseconds, for texts that others should not have to wait for. */
export async function findDigestsInTurns(
  content: Uint8Array | string,
  expected: Algorithm | undefined,
): Promise<StatementsFound> {
  const finding = findingDigests(content, expected)
  for (;;) {
    const next = finding.next()
    if (next.done === true) return next.value
    await setImmediate()
  }
}

function* findingDigests(
  content: Uint8Array | string,
  expected: Algorithm | undefined,
): Generator<void, StatementsFound, void> {
  if (content.length > CHECKSUM_TEXT_BYTES) {
    const what = `It is longer than ${CHECKSUM_TEXT_BYTES} bytes, and not read: no list of checksums is.`
    return { stated: [], notRead: [{ line: 0, what }], isList: false }
  }
  const raw = typeof content === 'string' ? content.replace(/^\uFEFF/, '') : decodeText(content)
  yield
  if (/^\s*[[{]/.test(raw) && /[\]}]\s*$/.test(raw.slice(-LONGEST_END))) {
    const statements = createStatements(expected)
    if (yield* stateJson(raw, statements)) return { ...statements.end(), isList: false }
  }
  const text = tidied(withoutTags(raw))
  const statements = createStatements(expected)
  let line = 1
  for (let from = 0; from < text.length; ) {
    yield
    const end = endOfTurn(text, from)
    line = stateLines(text.slice(from, end), line, statements)
    from = end
  }
  const found = statements.end()
  return { ...found, isList: found.isList && !/^\s*(?:#!|<)/.test(raw) }
}

/** After a line that a digest does not go on from; in a text without line ends, after a word. */
function endOfTurn(text: string, from: number): number {
  const least = from + CHARACTERS_A_TURN
  for (const ending of TURN_ENDS) {
    const found = ending.exec(text.slice(least, least + CHARACTERS_A_TURN))
    if (found !== null) return least + found.index + found[0].length
  }
  return Math.min(text.length, least + CHARACTERS_A_TURN)
}

const TURN_ENDS = [/\n(?=\s)|[^0-9a-f:\s-]\s*\n/i, /\n/, /[^0-9A-Za-z\s:-]\s/, /\s/]

/** Returns the number of the line in which it ends. */
function stateLines(text: string, first: number, statements: Statements): number {
  const pieces = piecesIn(text)
  let line = first
  let at = 0
  let taken = 0
  for (let from = 0; ; line += 1) {
    const next = text.indexOf('\n', from)
    const end = next === -1 ? text.length : next
    const start = Math.max(from, Math.min(taken, end))
    const here: HexPiece[] = []
    for (let piece = pieces[at]; piece !== undefined && piece.start < end; piece = pieces[at]) {
      if (piece.start >= start) here.push({ ...piece, start: piece.start - start, end: piece.end - start })
      at += 1
    }
    const isRest = start > from && start === end
    if (from < text.length && !isRest) taken = start + statements.line(line, text.slice(start, end), here)
    if (next === -1) return line
    from = end + 1
  }
}
