/**
 * The lower part of the terminal while serving: a bar a pull under way. Lines about what happened scroll above
 * it. Without a terminal nothing of it is drawn, and lines are plain.
 */
import type { LivePull } from '../../delivery/live-pulls.ts'
import { movementWords } from '../../wording/movement-words.ts'
import { shortened } from '../../wording/visible.ts'

interface Screen {
  write(text: string): unknown
  readonly isTTY?: boolean
  readonly columns?: number
  readonly rows?: number
}

export interface LiveView {
  /** A line that stays. */
  print(line: string): void
  bell(): void
  /** `foot`: a line below the bars. */
  draw(pulls: readonly LivePull[], foot?: string): void
  /** Removes the bars; lines printed afterwards stay plain. */
  end(): void
}

const BAR_CELLS = 20

export function createLiveView(screen: Screen): LiveView {
  let drawn: readonly string[] = []
  const live = screen.isTTY === true

  function clear(): string {
    return drawn.length === 0 ? '' : `\x1b[${drawn.length}A\x1b[0J`
  }

  function redraw(above: string, lines: readonly string[]): void {
    const before = clear()
    drawn = lines
    screen.write(before + above + lines.map((line) => `${line}\n`).join(''))
  }

  return {
    print: (line) => redraw(`${line}\n`, drawn),
    bell() {
      if (live) screen.write('\x07')
    },
    draw(pulls, foot) {
      if (!live) return
      const rows = Math.max(1, (screen.rows ?? 24) - 4)
      const running = pulls.filter((pull) => pull.movement !== undefined)
      const lines = running.slice(0, rows).map((pull) => barLine(pull, screen.columns ?? 80))
      if (running.length > rows) lines.push(`… and ${running.length - rows} more pulls in progress`)
      if (lines.length > 0 && foot !== undefined) lines.push(cutTo(foot, screen.columns ?? 80))
      if (lines.join('\n') !== drawn.join('\n')) redraw('', lines)
    },
    end: () => redraw('', []),
  }
}

/** `192.0.2.31  image.bin  [######····]  42 %  11.2 MB/s  0:31 left`, cut to the terminal's width. */
function barLine(pull: LivePull, columns: number): string {
  const share = pull.image.bytes === 0 ? 1 : pull.bytesNow / pull.image.bytes
  const full = Math.floor(share * BAR_CELLS)
  const bar = `[${'#'.repeat(full)}${'.'.repeat(BAR_CELLS - full)}]`
  const who = pull.client.device ?? pull.client.address
  const parts = [shortened(who, 24), shortened(pull.image.name, 28), bar, `${Math.floor(share * 100)} %`]
  parts.push(movementWords(pull))
  return cutTo(parts.join('  '), columns)
}

function cutTo(line: string, columns: number): string {
  return [...line].slice(0, Math.max(20, columns - 1)).join('')
}
