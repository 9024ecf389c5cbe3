/** A progress bar on a terminal for whatever takes over a second; elsewhere nothing is drawn. */

interface Progress {
  /** `share` from 0 to 1. */
  show(share: number, what: string): void
  end(): void
}

const QUIET_MS = 1_000
const CELLS = 30

export function createProgress(
  screen: { write(text: string): unknown; readonly isTTY?: boolean },
  clock: () => number = () => performance.now(),
): Progress {
  const since = clock()
  let shown = ''
  const draw = (line: string): void => {
    if (line === shown) return
    screen.write(`\r\x1b[K${line}`)
    shown = line
  }
  return {
    show(share, what) {
      if (screen.isTTY !== true || clock() - since < QUIET_MS) return
      const full = Math.floor(Math.min(1, share) * CELLS)
      draw(`${what} [${'#'.repeat(full)}${'.'.repeat(CELLS - full)}] ${Math.floor(share * 100)} %`)
    },
    end() {
      if (shown !== '') screen.write('\r\x1b[K')
    },
  }
}
