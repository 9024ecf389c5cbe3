/** What was found about one hex string, in a sentence that a person can act on. */
import { algorithmText, guardsAccidentOnly } from '../digests/algorithm.ts'
import type { KnownDigest, Nearness } from './known-digests.ts'

/** `held`: names of images. */
export function matchWords({ algorithm, images }: KnownDigest, held: ReadonlySet<string>): string {
  return [
    `It is the ${algorithmText(algorithm)} of ${listed(images)}.`,
    ...worthOf(algorithm),
    ...images
      .filter((name) => held.has(name))
      .map((name) => `${name} is held: nobody can fetch it at the moment.`),
  ].join(' ')
}

/** RFC 6151 §2 and RFC 6194 §3 on MD5 and SHA-1. */
function worthOf(algorithm: string): string[] {
  if (algorithm === 'crc32')
    return ['A CRC-32 shows accidents only: compare a longer digest where the device has one.']
  if (!guardsAccidentOnly(algorithm)) return []
  return [`${algorithmText(algorithm)} guards against accident, not against forgery.`]
}

export function partWords(digits: number, { digest, end }: { digest: KnownDigest; end: 'begins' | 'ends' }) {
  const { algorithm, value, images } = digest
  const place = end === 'begins' ? 'first' : 'last'
  return `It is cut short: the ${place} ${digits} of the ${value.length} digits of the ${algorithmText(algorithm)} of ${listed(images)}. Copy the whole digest and match it again.`
}

export function nearWords({ digest, mistakes }: Nearness): string {
  const places = mistakes === 1 ? 'in one place' : 'in two places'
  return `It is no digest of an image here, but differs only ${places} from the ${algorithmText(digest.algorithm)} of ${listed(digest.images)}. Read it off the device again: it counts only when every digit agrees.`
}

export function noMatchWords(algorithm: string): string {
  if (algorithm === 'crc32') {
    return 'No image here has it as its CRC-32. It may be of a header or of another part: compare the digest of the whole file.'
  }
  return `No image here has it as its ${algorithmText(algorithm)}. The device holds other bytes, or the image that it holds is not in this folder: see which file it stored before it is booted.`
}

/** `alone`: eight digits, and nothing else in the text. */
export function notCountedWords(alone: boolean): string {
  return alone
    ? 'No image here has it as its CRC-32, and nothing says that it is one. Paste the whole line that the device printed.'
    : 'No image here has it; it looks like a row of a dump, an address or a serial number, so it is not counted.'
}

function listed(names: readonly string[]): string {
  const shown = names.slice(0, 3)
  const left = names.length - shown.length
  if (left > 0) return `${shown.join(', ')} and ${left} more with the same bytes`
  const last = shown.pop() ?? ''
  return shown.length === 0 ? last : `${shown.join(', ')} and ${last} (the same bytes)`
}
