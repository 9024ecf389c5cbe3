/** How a pull ended, in words for a reader who knows devices but not this program. Never more than was seen. */
import type { PullRecord } from '../delivery/records.ts'
import { bytesText, percentText } from './units.ts'

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
