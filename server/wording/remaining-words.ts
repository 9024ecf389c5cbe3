/** What is still to be pulled in plain words, for terminal and page. */
import type { RemainingPulls } from '../visit/remaining-pulls.ts'
import { durationText, sizeText } from './units.ts'
import { listed } from './visible.ts'

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
  const notHere =
    absent.length === 0 ? '' : ` Not in the folder, and not counted: ${listed(absent, NAMED_AT_MOST)}.`
  return `${who} to pull${sizes}.${notHere}`
}

/** `100 Mb/s`, `2.5 Gb/s`. */
function linkText(mbps: number): string {
  return mbps < 1_000 ? `${mbps} Mb/s` : `${mbps / 1_000} Gb/s`
}
