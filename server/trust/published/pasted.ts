/**
 * What a person pasted as published for one image: the lines that name it decide; digests without a file name count
 * where no line does; a text about other files says nothing of this one.
 */
import type { StatedDigest } from '../digests/pairing.ts'
import { findDigests } from '../digests/stated-digests.ts'
import { checksumText, imagesOf } from './checksum-text.ts'
import type { Claim } from './comparison.ts'
import { comparable, knownNames } from './match-names.ts'

export function pastedFor(imageName: string, text: string, by: string) {
  const found = findDigests(text)
  const known = knownNames([imageName])
  const whole = checksumText('', found)
  const own = found.stated.filter((entry) => imagesOf(entry, whole, known).includes(comparable(imageName)))
  const decide = own.length > 0 ? own : whole.loose
  const about = decide.length > 0 ? [] : found.stated.flatMap(({ names }) => names.slice(0, 1))
  return {
    claims: decide.map((entry) => claimOf(entry, by, own.length === 0)),
    /** The files that the text is about, where it says nothing of this one. */
    about: [...new Set(about)],
    /** Why digests in it were not used. */
    notRead: found.notRead.map(({ what }) => what),
  }
}

/** As the ledger keeps it. */
export function claimOf(
  { algorithm, digest, said }: Pick<StatedDigest, 'algorithm' | 'digest'> & { readonly said?: boolean },
  by: string,
  loose = false,
): Claim {
  return { algorithm, digest, source: `pasted by ${by}`, text: 'pasted', loose, said: said ?? true }
}
