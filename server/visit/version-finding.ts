/**
 * Finding a version in what a person pastes from a device's console, and guessing one from the name of an image.
 * Both are proposals that a person sees beside their source; the name's is marked as a guess.
 */
import { isIP } from 'node:net'

const LONGEST_TEXT = 64 * 1024
const LONGEST_LINE = 1_000
const LONGEST_VERSION = 64

/** Words that announce the version of the running software (common practice), best last. */
const ANNOUNCING: readonly (readonly [RegExp, number])[] = [
  [/\b(image|build|revision|rev)\b/i, 2],
  [/\b(software|firmware|sw|fw|os|system|running|current|active)\b/i, 3],
  [/\b(version|release|ver)\b/i, 4],
]
/** Words that announce some other version, or none. */
const OTHER_THING =
  /\b(hardware|hw|boot|bootloader|bootstrap|rom|bios|uefi|cpld|fpga|microcode|protocol|api|snmp|ssh|ssl|tls|http|serial|licen[cs]e|copyright|\(c\)|kernel|compiler|gcc|library|previous|backup|alternate|standby|inactive|secondary|uptime|power|temperature|module|config(uration)?)\b/i
const ANNOUNCED_DIRECTLY = /\b(version|release|ver|v|software|firmware|sw|fw)\b[\s:=#-]*$/i

/** `12.4(3a)`, `v2.80.1-rc1`, `15.2(7)E3`, `21.4R3-S2`, `4.2.1_b118`: digits with a dot or bracket in them. */
const VERSION_WORD = /^[a-z]{0,3}\d+[a-z]?([.(]\w+\)?)+([a-z]+\d+)*[a-z]*([-_.+~][a-z\d]+)*$/i
/** Also a version when a word announces it directly: `R12`, `20240115`, `7`. */
const BARE_WORD = /^[vr]?\d+[a-z]?\d*$/i

/** A digest, its first digits, a fingerprint: 8 hex digits or more with a letter in them, or pairs of them. */
const HEX_WORD = /^(0x)?(?=\d*[a-f])[\da-f]{8,}$|^[\da-f]{32,}$|^[\da-f]{2}([:-][\da-f]{2}){3,}$/i

/**
 * What is recorded as a version: what was typed as one word, as it stands, or the version that stands out in a
 * device's text; undefined when there is none. A digest is no version, with or without its algorithm before it.
 */
export function versionToRecord(text: string): string | undefined {
  const said = text.trim()
  if (said === '') return undefined
  if (/\s/.test(said)) return pickVersion(said)
  return isHexWord(said) ? undefined : said
}

/** `MD5:3fa9…` and `sha256=3fa9…` too. */
function isHexWord(word: string): boolean {
  return HEX_WORD.test(word) || HEX_WORD.test(word.replace(/^[a-z][a-z\d-]*[:=]/i, ''))
}

/** The version of the running software in a device's text; undefined when none stands out. Never throws. */
function pickVersion(text: string): string | undefined {
  const lines = text.slice(0, LONGEST_TEXT).split(/\r\n|\r|\n/)
  const found = lines.flatMap((line) => candidatesOf(line.slice(0, LONGEST_LINE)))
  const best = Math.max(0, ...found.map(({ score }) => score))
  return best === 0 ? undefined : found.find(({ score }) => score === best)?.version
}

interface Candidate {
  readonly version: string
  readonly score: number
}

function candidatesOf(line: string): Candidate[] {
  const found: Candidate[] = []
  for (const match of line.matchAll(/[^\s,;"'=|<>[\]]+/g)) {
    const word = trimWord(match[0])
    const before = line.slice(0, match.index + match[0].indexOf(word))
    const direct = ANNOUNCED_DIRECTLY.test(before)
    if (word.length > LONGEST_VERSION || isHexWord(word) || !looksLikeVersion(word, direct)) continue
    found.push({ version: word, score: scoreOf(before, direct) })
  }
  return found
}

/** A label (`Version:12.4`) before, punctuation and a bracket that was not opened behind. */
function trimWord(word: string): string {
  const trimmed = word
    .replace(/^.*:(?=[a-z]?\d)/i, '')
    .replace(/^[({#*]+/, '')
    .replace(/[.:!?}*]+$/, '')
  return trimmed.endsWith(')') && !trimmed.includes('(') ? trimmed.slice(0, -1) : trimmed
}

function looksLikeVersion(word: string, announced: boolean): boolean {
  if (isDate(word)) return false
  if (isIP(word) !== 0) return announced
  return VERSION_WORD.test(word) ? /[.(]\d/.test(word) : announced && BARE_WORD.test(word)
}

function isDate(word: string): boolean {
  return /^(\d{4}[-./]\d{1,2}[-./]\d{1,2}|\d{1,2}[-./]\d{1,2}[-./]\d{4})([T_].*)?$/.test(word)
}

/** What announces a version stands before it on its line. */
function scoreOf(before: string, direct: boolean): number {
  let score = direct ? 3 : 1
  for (const [pattern, worth] of ANNOUNCING) if (pattern.test(before)) score += worth
  return OTHER_THING.test(before) ? score - 10 : score
}

const MARKED = /(?:^|[^a-z0-9])(?:v|ver|version|rel|release|r)[-_.]?(\d+(?:[._-]\d+)*)/i
/** Behind the numbers: a letter or bracket, releases and service releases, pre-releases and builds. */
const TAIL =
  /^(?:\([0-9a-z]+\)(?:[a-z]\d+)?)?(?:[a-z](?![a-z0-9]))?(?:r\d+)?(?:[-_.]?s\d+)?(?:[-_.]?(?:rc|beta|alpha|dev|build|b|sp|p|hf|patch)[-_.]?\d+)*(?![a-z])/i

/**
 * A version from an image's name, or undefined. A guess: names follow no rule, and a model's number may look the
 * same. Dots count most, then a leading `v`; `_` and `-` between the numbers are read as dots.
 */
export function guessFromName(name: string): string | undefined {
  const base = withoutExtensions(name.slice(name.lastIndexOf('/') + 1).slice(0, 255))
  const dotted = [...base.matchAll(/\d+(?:\.\d+)+/g)]
  const marked = MARKED.exec(base)
  if (marked?.[1] !== undefined && (dotted.length === 0 || marked[1].includes('.'))) {
    const from = marked.index + marked[0].length
    return guess(marked[1].replace(/[_-]/g, '.'), base.slice(from))
  }
  const most = dotted.reduce<RegExpMatchArray | undefined>(
    (best, one) => (best === undefined || segments(one[0]) >= segments(best[0]) ? one : best),
    undefined,
  )
  if (most !== undefined) return guess(most[0], base.slice((most.index ?? 0) + most[0].length))
  const joined = [...base.matchAll(/(?<![a-z0-9])\d{1,3}(?:[_-]\d{1,3}){1,3}(?![0-9])/gi)].at(-1)
  if (joined === undefined) return undefined
  return guess(joined[0].replace(/[_-]/g, '.'), base.slice(joined.index + joined[0].length))
}

function guess(numbers: string, rest: string): string {
  return numbers + (TAIL.exec(rest)?.[0] ?? '')
}

function segments(version: string): number {
  return version.split('.').length
}

/** Extensions begin with a letter; those that carry a pre-release or a build stay. */
function withoutExtensions(name: string): string {
  let base = name
  for (let times = 0; times < 3; times += 1) {
    const extension = /\.([a-z][a-z0-9]{0,7}|7z)$/i.exec(base)
    if (extension === null || /^(rc|beta|alpha|dev|build|b|r|s|sp|p|v)\d*$/i.test(extension[1] ?? '')) break
    base = base.slice(0, extension.index)
  }
  return base
}
