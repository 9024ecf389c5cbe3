/** Colour helps, and never says anything alone: none without a terminal, and none where NO_COLOR is set. */
import type { Screen } from './printing.ts'

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

export type Style = Readonly<Record<keyof typeof CODES, (text: string) => string>>
export type Tone = keyof Style | 'plain'

export function styleOf(screen: Screen, env: NodeJS.ProcessEnv): Style {
  const isColoured = screen.isTTY === true && (env.NO_COLOR ?? '') === '' && env.TERM !== 'dumb'
  const dyes = Object.entries(CODES).map(([tone, code]) => [
    tone,
    (text: string) => (isColoured && text !== '' ? `\u001b[${code}m${text}\u001b[0m` : text),
  ])
  return Object.fromEntries(dyes) as Style
}

export function toned(style: Style, tone: Tone, text: string): string {
  return tone === 'plain' ? text : style[tone](text)
}
