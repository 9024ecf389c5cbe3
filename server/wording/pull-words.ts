/** How a pull moves and how it ended, for a reader who knows devices but not this program. Never more than was seen. */
import type { LivePull } from '../delivery/live-pulls.ts'
import type { PullRecord } from '../delivery/records.ts'
import { bytesText, durationText, percentText, rateText } from './units.ts'

/** `who`: whom the evidence is about, as the subject of a sentence. */
export function pullWords({ state, bytesCovered, image }: PullRecord, who: string): string {
  switch (state) {
    case 'complete':
      return `Complete: ${who} took every byte.`
    case 'unconfirmed':
      return `Sent, not confirmed: every byte was sent, but ${who} was not seen to take the last of them.`
    case 'running':
      return 'Not finished: the pull was in progress when this record ends.'
    case 'incomplete':
      return bytesCovered === 0
        ? `Broken off: ${who} did not take all of the image; no part of it is confirmed.`
        : `Broken off: ${bytesText(bytesCovered)} of ${bytesText(image.bytes)} bytes (${percentText(bytesCovered, image.bytes)}) are confirmed.`
  }
}

/** One or two words for a table. */
export const PULL_SHORT: Readonly<Record<PullRecord['state'], string>> = Object.freeze({
  complete: 'complete',
  unconfirmed: 'not confirmed',
  running: 'not finished',
  incomplete: 'broken off',
})

/** `now` in ms since 1970. `11.2 MB/s, 31 s left`, `stalled 2 min 10 s`, `all handed over; waiting for the device to close`. */
export function movementWords(
  { movement, stalledSince, rateNow, secondsLeft }: LivePull,
  now = Date.now(),
): string {
  switch (movement) {
    case 'stalled':
      return `stalled ${durationText(stalledSince === undefined ? 0 : (now - Date.parse(stalledSince)) / 1_000)}`
    case 'waiting for the device to close':
      return 'all handed over; waiting for the device to close'
    case 'moving':
      return [
        ...(rateNow ? [rateText(rateNow)] : []),
        ...(secondsLeft === undefined ? [] : [`${timeLeft(secondsLeft)} left`]),
      ].join(', ')
    default:
      return 'ending'
  }
}

/** An estimate knows no seconds of minutes. */
function timeLeft(seconds: number): string {
  return seconds < 120 || seconds >= 3600 ? durationText(seconds) : `${Math.round(seconds / 60)} min`
}
