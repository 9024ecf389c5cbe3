/**
 * The terminal while serving: lines about what happened scroll, and the foot stays below them. Without a terminal
 * there is no foot, and lines are plain.
 */
import { textWidth } from '../../wording/text-width.ts'
import { columnsOf, fittedLines, type HostProcess, type Screen, styleOf, type Tone } from '../printing.ts'
import { type Foot, footLines } from './foot.ts'

export type LiveView = ReturnType<typeof createLiveView>

export function createLiveView(screen: Screen, around: Pick<HostProcess, 'env'>) {
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
      const lines = footLines(foot, { columns: width, rows: screen.rows ?? 24 }, style)
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
