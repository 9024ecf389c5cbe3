/**
 * What the words beside a digest say that it is: an algorithm, one that is not compared here (`SHA3-256` has the length
 * of SHA-256), or no file's digest at all (a commit, a key's fingerprint).
 */
import { ALGORITHMS, type Algorithm } from './algorithm.ts'

export interface Label {
  /** As it is written. */
  readonly words: string
  /** Absent: what it labels is compared with nothing. */
  readonly algorithm?: Algorithm
}

const FOREIGN =
  'sha[-_ ]?3(?:[-_ ]?(?:224|256|384|512))?|sha[-_ ]?(?:2[-_ ])?512[-_/](?:224|256)|keccak[-_ ]?\\d*|shake\\d+|blake\\w*(?:-\\d+)?|b[23]sums?|ripemd[-_ ]?\\d*|rmd160|whirlpool|tiger\\w*|sm3|gost\\w*|streebog\\w*|crc[-_ ]?(?:16|64)\\w*|crc32c|adler[-_ ]?32|xxh\\w+|md[-_ ]?[24]'
const OURS = 'sha[-_ ]?(?:2[-_ ])?(?:1|224|256|384|512)|md[-_ ]?5|crc(?:[-_ ]?32)?'
/** Every name of an algorithm: `SHA-256`, `sha256sum`, `CRC 32`. Its digits are no digits of what follows. */
export const ALGORITHM_NAMES = new RegExp(
  `(?<![0-9A-Za-z])(?:${FOREIGN}|${OURS})(?:[-_ ]?sums?)?(?![0-9A-Za-z])`,
  'gi',
)
/** Right before it, with a word like "id" between. */
const OTHER_THING =
  /(?<![\w-])(?:commit|revision|changeset|git|build|fingerprint|(?:public |signing |gpg |pgp )?key|certificate|signature|signed by|serial|uuid|guid|token|password|salt|nonce)(?:[-_ ]?(?:fingerprint|hash|id|no|number|sha))*["'*`\s]*(?:[:=#]|is)*["'*`\s(]*(?:0x)?$/i
const BEHIND = /^["'`\s]*[([]\s*([^)\]]{1,40})/
/** Not longer than people and consoles put between a label and its value. */
const WITHIN = 256

/** What stands before it on its line, the nearest first; else what stands behind it in brackets. */
export function labelAround(before: string, after: string): Label | undefined {
  const near = before.slice(-WITHIN)
  const other = OTHER_THING.exec(near)
  if (other !== null) return { words: other[0].replace(/[^\w]+$/, '') }
  const behind = BEHIND.exec(after.slice(0, WITHIN))?.[1] ?? ''
  return labelIn(near) ?? (OTHER_THING.test(behind) ? { words: behind } : labelIn(behind))
}

/** Each name has such a letter and a word of three characters or more; lines of nothing but hex digits are many. */
const MAY_NAME = /[g-z].{2}|.[g-z].|.{2}[g-z]/i

export function withoutAlgorithms(text: string): string {
  return MAY_NAME.test(text) ? text.replace(ALGORITHM_NAMES, '') : text
}

/** The last name of an algorithm in it. */
export function labelIn(text: string): Label | undefined {
  const words = MAY_NAME.test(text) ? text.match(ALGORITHM_NAMES)?.at(-1) : undefined
  if (words === undefined) return undefined
  const plain = words.toLowerCase().replace(/[-_ ]|sums?$/g, '')
  const tag = plain === 'crc' ? 'crc32' : plain.replace(/^sha2(?=\d{3}$)/, 'sha')
  const algorithm = ALGORITHMS.find((known) => known === tag)
  return { words, ...(algorithm !== undefined && { algorithm }) }
}
