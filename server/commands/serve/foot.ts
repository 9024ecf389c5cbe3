/**
 * The lower part of the terminal while serving: pulls in progress, what needs attention, and the tally last, where it
 * stays in sight. Percent and how a pull moves stand before names, since a narrow terminal shortens what comes last.
 */
import type { LivePull } from '../../delivery/live-pulls.ts'
import { movementWords } from '../../wording/pull-words.ts'
import { textWidth, wrapped } from '../../wording/text-width.ts'
import { percentText } from '../../wording/units.ts'
import { shortened } from '../../wording/visible.ts'
import type { Style, Tone } from '../printing.ts'
import { barText } from '../progress.ts'

export interface Foot {
  /** In one sentence: who is done. */
  readonly tally: string
  /** What needs a person, worst first. */
  readonly attention: readonly { readonly text: string; readonly tone: Tone }[]
  readonly pulls: readonly LivePull[]
  /** How long the rest takes. */
  readonly remaining: string | null
}

interface Room {
  readonly columns: number
  readonly rows: number
}

/** Attentions in words; more are counted. */
const ATTENTION_AT_MOST = 3
/** Of one attention; of the worst one, a line more. */
const LINES_AT_MOST = 2
/** Lines that scroll above it. */
const SCROLLING = 8
const NAMES_AT_LEAST = 20
const IMAGE_AT_LEAST = 9
const PERCENT = 5

export function footLines(foot: Foot, room: Room, style: Style): string[] {
  const { columns } = room
  const below = [
    ...(foot.remaining === null || foot.pulls.length === 0 ? [] : wrapped(foot.remaining, columns, 2)),
    ...attentionLines(foot.attention, columns, style),
    ...wrapped(foot.tally, columns, 2).map((line) => style('strong', line)),
  ]
  const most = Math.max(2, room.rows - SCROLLING - below.length)
  return [style('faint', '─'.repeat(columns)), ...pullLines(foot.pulls, columns, most, style), ...below]
}

function attentionLines(attention: Foot['attention'], columns: number, style: Style): string[] {
  const told = attention.slice(0, ATTENTION_AT_MOST)
  const more = attention.length - told.length
  return [
    ...told.flatMap(({ text, tone }, at) =>
      beginning(wrapped(`!  ${text}`, columns, 3), LINES_AT_MOST + Number(at === 0), columns).map((line) =>
        style(tone, line),
      ),
    ),
    ...(more > 0 ? [style('caution', `!  … and ${more} more; the bench page lists them`)] : []),
  ]
}

/** The first lines; where more follow, the last one ends in `…`, after a whole word. */
function beginning(lines: readonly string[], most: number, columns: number): readonly string[] {
  if (lines.length <= most) return lines
  const last = `${lines[most - 1]} …`
  return [...lines.slice(0, most - 1), textWidth(last) <= columns ? last : last.replace(/ [^ ]+ …$/, ' …')]
}

function pullLines(pulls: readonly LivePull[], columns: number, most: number, style: Style): string[] {
  const now = Date.now()
  const lines: string[] = []
  for (const [at, pull] of pulls.entries()) {
    const own = pullLine(pull, columns, now)
    // The last line is for those that are not shown.
    const isLast = at === pulls.length - 1
    if (lines.length + own.length > most - (isLast ? 0 : 1)) {
      const left = pulls.length - at
      return [...lines, `${' '.repeat(PERCENT)}  … and ${left} more in progress`]
    }
    lines.push(...own.map((line) => style(toneOf(pull, now), line)))
  }
  return lines
}

/** Devices erase their flash for minutes: nothing is red before that is over. */
const ALARMING_STALL_MS = 15 * 60_000

function toneOf({ stalledSince }: LivePull, now: number): Tone {
  if (stalledSince === undefined) return 'plain'
  return now - Date.parse(stalledSince) >= ALARMING_STALL_MS ? 'alarm' : 'caution'
}

/** ` 42 %  [########............]  11.2 MB/s, 31 s left  desk  reading-room.bin`, on two lines where that is too long. */
function pullLine(pull: LivePull, columns: number, now: number): string[] {
  const percent = percentText(pull.bytesNow, pull.image.bytes).padStart(PERCENT)
  const movement = movementWords(pull, now)
  const bare = [percent, movement].filter((part) => part !== '').join('  ')
  const bar = barText(pull.bytesNow / Math.max(1, pull.image.bytes), columns >= 100 ? 20 : 10)
  const drawn = [percent, bar, movement].filter((part) => part !== '').join('  ')
  const state = textWidth(drawn) + NAMES_AT_LEAST + 2 <= columns ? drawn : bare
  const beside = columns - textWidth(state) - 2
  if (beside >= NAMES_AT_LEAST) return [`${state}  ${namesOf(pull, beside)}`]
  return [state, `${' '.repeat(PERCENT + 2)}${namesOf(pull, columns - PERCENT - 2)}`]
}

/** Device and image within so many columns: the device whole as long as something is left for the image. */
function namesOf({ client, image }: LivePull, columns: number): string {
  const who = client.device ?? client.address
  const first = shortened(who, columns - 2 - Math.min(IMAGE_AT_LEAST, textWidth(image.name)))
  return `${first}  ${shortened(image.name, columns - 2 - textWidth(first))}`
}
