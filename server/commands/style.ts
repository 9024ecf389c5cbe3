/** Colour helps, and never says anything alone: none without a terminal, and none where NO_COLOR is set. */
import type { Screen } from './printing.ts'

export interface Style {
  /** Something is wrong now. */
  alarm(text: string): string
  /** Worth a look. */
  caution(text: string): string
  good(text: string): string
  faint(text: string): string
  strong(text: string): string
}

export type Tone = keyof Style | 'plain'

/** Foregrounds of the terminal's own palette (ECMA-48 §8.3.117), which is set for its background. */
const CODES: Readonly<Record<keyof Style, string>> = {
  alarm: '1;31',
  caution: '33',
  good: '32',
  faint: '2',
  strong: '1',
}

export function styleOf(screen: Screen, env: NodeJS.ProcessEnv): Style {
  const isColoured = screen.isTTY === true && (env.NO_COLOR ?? '') === '' && env.TERM !== 'dumb'
  const dyed = (code: string) => (text: string) =>
    isColoured && text !== '' ? `\u001b[${code}m${text}\u001b[0m` : text
  return {
    alarm: dyed(CODES.alarm),
    caution: dyed(CODES.caution),
    good: dyed(CODES.good),
    faint: dyed(CODES.faint),
    strong: dyed(CODES.strong),
  }
}

export function toned(style: Style, tone: Tone, text: string): string {
  return tone === 'plain' ? text : style[tone](text)
}
