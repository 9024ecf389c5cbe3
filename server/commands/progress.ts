/** A progress bar on a terminal for whatever takes over a second; elsewhere nothing is drawn. */
import { percentText } from '../wording/units.ts'
import { shortened } from '../wording/visible.ts'
import type { Screen } from './printing.ts'

const QUIET_MS = 1_000
const CELLS = 20

export function createProgress(screen: Screen) {
  const since = performance.now()
  let shown = ''
  const draw = (line: string): void => {
    if (line === shown) return
    screen.write(`\r\x1b[K${line}`)
    shown = line
  }
  return {
    /** `share` from 0 to 1. */
    show(share: number, what: string): void {
      if (screen.isTTY !== true || performance.now() - since < QUIET_MS) return
      const line = `${percentText(share, 1).padStart(5)}  ${barText(share, CELLS)}  ${what}`
      draw(shortened(line, (screen.columns ?? 80) - 1))
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
