/** The process around a command, and how commands print: no line wider than the terminal, words never broken. */
import { escapeInvisible } from '../ledger/outside-text.ts'
import { textWidth, wrapped } from '../wording/text-width.ts'
import { percentText } from '../wording/units.ts'
import { shortened } from '../wording/visible.ts'
import { ownCommand } from './own-command.ts'

/** Ctrl-C; a polite kill; the terminal was closed (on Windows: its window); Ctrl-Break, on Windows alone. */
export const STOP_SIGNALS = ['SIGINT', 'SIGTERM', 'SIGHUP', 'SIGBREAK'] as const

/** What a command touches of the process around it, passed in so that tests can turn it. */
export interface HostProcess {
  readonly stdout: NodeJS.WriteStream
  readonly stderr: NodeJS.WriteStream
  readonly stdin: NodeJS.ReadStream
  readonly env: NodeJS.ProcessEnv
  on(signal: (typeof STOP_SIGNALS)[number], listener: () => void): unknown
}

export interface Screen {
  write(text: string): unknown
  readonly isTTY?: boolean
  readonly columns?: number
  readonly rows?: number
}

const NARROWEST = 40

/** Of the terminal; undefined where nothing is to be fitted: a file, or another program. */
export function columnsOf({ isTTY, columns = 80 }: Screen): number | undefined {
  return isTTY === true ? Math.max(NARROWEST, columns) : undefined
}

export function print(around: HostProcess, lines: readonly string[], screen: Screen = around.stdout): void {
  const columns = columnsOf(screen)
  const fitted = lines.flatMap((line) => fittedLines(line, columns, around))
  screen.write(fitted.map((line) => `${line}\n`).join(''))
}

/** What a command has found: for a program as JSON, for a person in lines. */
export function printAnswer(
  around: HostProcess,
  format: string,
  json: unknown,
  lines: () => readonly string[],
): void {
  if (format === 'json') around.stdout.write(`${jsonText(json, 2)}\n`)
  else print(around, lines())
}

/** What a terminal obeys or nobody sees is escaped in it: a program reads the same value. */
export function jsonText(value: unknown, indent = 0): string {
  return escapeInvisible(JSON.stringify(value, null, indent))
}

/** Later lines of a long one are set in by `indent` more; a line to type goes on as a shell takes it. */
export function fittedLines(
  text: string,
  columns: number | undefined,
  around: Pick<HostProcess, 'env'>,
  indent = 2,
): string[] {
  const line = runnable(text, around)
  if (columns === undefined || textWidth(line) <= columns) return [line]
  const from = (/^ */.exec(line)?.[0].length ?? 0) + indent
  if (!TO_TYPE.test(text)) return wrapped(line, columns, from)
  const lines = wrapped(line, columns - CONTINUED.length, from)
  return lines.map((part, at) => (at < lines.length - 1 ? part + CONTINUED : part))
}

const TO_TYPE = /^ +fetchproof [a-z]/
const CONTINUED = process.platform === 'win32' ? ' ^' : ' \\'

/** `"fetchproof audit"` in a message, or as a line of its own, is another line to type where that name is not on the path. */
export function runnable(text: string, { env }: Pick<HostProcess, 'env'>): string {
  if (!text.includes('fetchproof ')) return text
  return text.replace(/(["“`]|^ *)fetchproof (?=[a-z])/g, (_found, ahead) => `${ahead}${ownCommand(env)} `)
}

/** Foregrounds of the terminal's own palette (ECMA-48 §8.3.117), which is set for its background. */
const CODES = {
  /** Something is wrong now. */
  alarm: '1;31',
  /** Worth a look. */
  caution: '33',
  good: '32',
  faint: '2',
  strong: '1',
} as const

export type Tone = keyof typeof CODES | 'plain'
export type Style = (tone: Tone, text: string) => string

/** Colour helps, and never says anything alone: none without a terminal, and none where NO_COLOR is set. */
export function styleOf({ isTTY }: Screen, { NO_COLOR = '', TERM }: NodeJS.ProcessEnv): Style {
  const isColoured = isTTY === true && NO_COLOR === '' && TERM !== 'dumb'
  return (tone, text) =>
    tone === 'plain' || text === '' || !isColoured ? text : `\u001b[${CODES[tone]}m${text}\u001b[0m`
}

const QUIET_MS = 1_000
const CELLS = 20

/** A progress bar on a terminal for whatever takes over a second; elsewhere nothing is drawn. */
export function createProgress(screen: Screen) {
  const since = performance.now()
  let shown = ''
  return {
    /** `share` from 0 to 1. */
    show(share: number, what: string): void {
      if (screen.isTTY !== true || performance.now() - since < QUIET_MS) return
      const all = `${percentText(share, 1).padStart(5)}  ${barText(share, CELLS)}  ${what}`
      const line = shortened(all, (screen.columns ?? 80) - 1)
      if (line !== shown) screen.write(`\r\x1b[K${line}`)
      shown = line
    },
    end(): void {
      if (shown !== '') screen.write('\r\x1b[K')
    },
  }
}

/** `[########............]`. */
export function barText(share: number, cells: number): string {
  const full = Math.floor(Math.min(1, share) * cells)
  return `[${'#'.repeat(full)}${'.'.repeat(cells - full)}]`
}
