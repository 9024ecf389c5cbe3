/** What is still to be pulled in plain words, for terminal and page. */
import type { RemainingPulls } from '../visit/remaining-pulls.ts'
import { durationText, sizeText } from './units.ts'
import { visible } from './visible.ts'

/** Absent images named one by one. */
const NAMED_AT_MOST = 3

/** `12 devices still have to pull 1.2 GB: at best 1 min 42 s over 100 Mb/s, 11 s over 1 Gb/s.` and what limits that. */
export function remainingWords({ devices, bytes, absent, estimates, secondsNow }: RemainingPulls): string {
  const who = devices === 1 ? '1 device still has' : `${devices} devices still have`
  const best = estimates.map(
    ({ linkMbps, seconds }) =>
      `${seconds < 1 ? 'under 1 s' : durationText(seconds)} over ${linkText(linkMbps)}`,
  )
  const now = secondsNow === null ? '' : `; at the present rate about ${durationText(secondsNow)}`
  const sizes = bytes === 0 ? ' images' : ` ${sizeText(bytes)}: at best ${best.join(', ')}${now}`
  return `${who} to pull${sizes}.${absentWords(absent)}`
}

function absentWords(absent: readonly string[]): string {
  const [only] = absent
  if (only === undefined) return ''
  const named = absent.slice(0, NAMED_AT_MOST).map(visible).join(', ')
  const more = absent.length - NAMED_AT_MOST
  const list = more > 0 ? `${named} and ${more} more` : named
  return ` Not in the folder, and not counted: ${list}.`
}

/** `100 Mb/s`, `2.5 Gb/s`. */
function linkText(mbps: number): string {
  return mbps < 1_000 ? `${mbps} Mb/s` : `${mbps / 1_000} Gb/s`
}
