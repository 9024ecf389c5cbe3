/** A terminal to run a command on: so many columns, what was written, and the screen as a person sees it. */
import { PassThrough } from 'node:stream'
import { vi } from 'vitest'
import type { HostProcess } from '../../server/commands/printing.ts'
import { runProgram } from '../../server/commands/program.ts'

export interface PlayedTerminal {
  /** Every line that stands on it, what has scrolled away included; colours left out. */
  lines(): string[]
  /** All that was written, control sequences included. */
  written(): string
  /** The first line that fits, when it has come. */
  line(fits: RegExp): Promise<string>
  press(signal: 'SIGINT'): void
  /** The exit status. */
  readonly ended: Promise<number>
}

export interface TerminalOptions {
  readonly columns: number
  readonly rows?: number
  readonly env?: NodeJS.ProcessEnv
}

export function runOnTerminal(
  args: readonly string[],
  { columns, rows = 40, env = {} }: TerminalOptions,
): PlayedTerminal {
  let written = ''
  const listeners: (() => void)[] = []
  const screen = {
    isTTY: true,
    columns,
    rows,
    write(text: string): boolean {
      written += text
      return true
    },
  }
  const around = {
    stdin: new PassThrough().end(),
    stdout: screen,
    stderr: screen,
    env,
    on(signal: string, listener: () => void) {
      if (signal === 'SIGINT') listeners.push(listener)
    },
  }
  return {
    lines: () => linesOn(written),
    written: () => written,
    line: (fits) =>
      vi.waitFor(
        () => {
          const found = linesOn(written).find((line) => fits.test(line))
          if (found === undefined) throw new Error(`no line fits ${fits}:\n${linesOn(written).join('\n')}`)
          return found
        },
        { timeout: 20_000, interval: 50 },
      ),
    press(signal) {
      // The terminal itself shows what was pressed.
      written += signal === 'SIGINT' ? '^C' : ''
      for (const listener of listeners) listener()
    },
    ended: runProgram(args, around as unknown as HostProcess),
  }
}

// biome-ignore lint/suspicious/noControlCharactersInRegex: what moves a terminal's cursor is looked for
const PIECES = /\r|\n|\u0007|\u001b\[(\d*)([A-Za-z])|\u001b\[[\d;]*m|[^\r\n\u0007\u001b]+/g

/** What is left on the screen (ECMA-48: CUU, EL to the end of a line, ED to the end of the screen). */
function linesOn(written: string): string[] {
  const lines = ['']
  let row = 0
  let column = 0
  for (const [piece, count = '', command] of written.matchAll(PIECES)) {
    if (piece === '\r') column = 0
    else if (piece === '\n') {
      row += 1
      column = 0
      if (lines[row] === undefined) lines.push('')
    } else if (command === 'A') row = Math.max(0, row - Number(count || 1))
    else if (command === 'K') lines[row] = (lines[row] ?? '').slice(0, column)
    else if (command === 'J') lines.splice(row, lines.length, (lines[row] ?? '').slice(0, column))
    else if (!piece.startsWith('\u001b') && piece !== '\u0007') {
      const line = (lines[row] ?? '').padEnd(column)
      lines[row] = line.slice(0, column) + piece + line.slice(column + piece.length)
      column += piece.length
    }
  }
  return lines.map((line) => line.trimEnd())
}
