/** How a pull in progress moves, in a few words, for terminal and page alike. */
import type { LivePull } from '../delivery/live-pulls.ts'
import { durationText, rateText } from './units.ts'

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
