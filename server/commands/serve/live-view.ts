/**
 * The terminal while serving: lines about what happened scroll, and the foot stays below them: pulls in progress, what
 * needs attention, and the tally last, where it stays in sight. Without a terminal there is no foot, and lines are plain.
 */
import type { LivePull } from '../../delivery/live-pulls.ts'
import { movementWords } from '../../wording/pull-words.ts'
import { textWidth, wrapped } from '../../wording/text-width.ts'
import { percentText } from '../../wording/units.ts'
import { shortened } from '../../wording/visible.ts'
import {
  barText,
  columnsOf,
  fittedLines,
  type HostProcess,
  type Screen,
  type Style,
  styleOf,
  type Tone,
} from '../printing.ts'

export type LiveView = ReturnType<typeof createLiveView>

export function createLiveView(around: HostProcess) {
  const screen: Screen = around.stdout
  const style = styleOf(screen, around.env)
  let drawn: readonly string[] = []
  let isOver = false

  /** One column is left free: some terminals begin a new line in the last one. */
  function columns(): number | undefined {
    const all = columnsOf(screen)
    return all === undefined ? undefined : all - 1
  }

  /** To the first column, since a Ctrl-C is echoed; a terminal that became narrower has broken the lines. */
  function clear(): string {
    const all = columnsOf(screen)
    if (drawn.length === 0 || all === undefined) return ''
    const rows = drawn.reduce((sum, line) => sum + Math.max(1, Math.ceil(textWidth(line) / all)), 0)
    return `\r\x1b[${rows}A\x1b[0J`
  }

  function redraw(above: string, lines: readonly string[]): void {
    const before = clear()
    drawn = lines
    screen.write(before + above + lines.map((line) => `${line}\n`).join(''))
  }

  return {
    /** A line that stays; its later parts are set in by `indent` columns. */
    print(line: string, tone: Tone = 'plain', indent?: number): void {
      const lines = fittedLines(line, columns(), around, indent)
      redraw(lines.map((each) => `${style(tone, each)}\n`).join(''), drawn)
    },
    bell(): void {
      if (screen.isTTY === true) screen.write('\x07')
    },
    draw(foot: Foot): void {
      const width = columns()
      if (width === undefined || isOver) return
      const lines = footLines(foot, width, screen.rows ?? 24, style)
      if (lines.join('\n') !== drawn.join('\n')) redraw('', lines)
    },
    /** Removes the foot; lines printed afterwards stay plain. */
    end(): void {
      isOver = true
      redraw('', [])
    },
    /** Of the terminal; undefined where there is none. */
    get columns(): number | undefined {
      return columns()
    },
  }
}

export interface Foot {
  /** In one sentence: who is done. */
  readonly tally: string
  /** What needs a person, worst first. */
  readonly attention: readonly { readonly text: string; readonly tone: Tone }[]
  readonly pulls: readonly LivePull[]
  /** How long the rest takes. */
  readonly remaining: string | null
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

function footLines(foot: Foot, columns: number, rows: number, style: Style): string[] {
  const below = [
    ...(foot.remaining === null || foot.pulls.length === 0 ? [] : wrapped(foot.remaining, columns, 2)),
    ...attentionLines(foot.attention, columns, style),
    ...wrapped(foot.tally, columns, 2).map((line) => style('strong', line)),
  ]
  const most = Math.max(2, rows - SCROLLING - below.length)
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
