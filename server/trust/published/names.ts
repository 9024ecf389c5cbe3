/**
 * What the name of a checksum text says: an algorithm, and the file that it stands beside. The names are common
 * practice; GNU coreutils and Debian's packages (`*.md5sums`) set most of them. What the text holds decides the rest.
 */
import { ALGORITHMS, type Algorithm } from '../digests/algorithm.ts'

interface ChecksumFileName {
  readonly algorithm?: Algorithm
  /** What it would belong to as a sidecar: `a/fw.bin` of `a/fw.bin.sha256`, `fw-4.2` of `fw-4.2-md5.txt`. */
  readonly of?: string
}

const ALGORITHM = '(md5|sha-?1|sha-?224|sha-?256|sha-?384|sha-?512|crc-?32)'
const SUFFIX = new RegExp(
  `^(?:(.+?)[-_.])??(?:${ALGORITHM}[-_.]?(?:sums?|checksums?)?|(?:sha|hash|check)?sums?(?:[-_.]?${ALGORITHM})?|shasums?\\d+|sha|sfv|hash(?:es)?|digests?)$`,
  'i',
)
/** A text as such, or signed (RFC 9580 §7). */
const CARRIER = /(?:[._-](?:txt|asc|sig|sign|gpg))+$/i

/** What `path` (`/` between folders) says by its name; undefined for any other name. */
export function checksumFileName(path: string): ChecksumFileName | undefined {
  const cut = path.lastIndexOf('/') + 1
  const found = SUFFIX.exec(path.slice(cut).replace(CARRIER, ''))
  if (found === null) return undefined
  const tag = (found[2] ?? found[3] ?? (/sfv$/i.test(found[0]) ? 'crc32' : '')).toLowerCase().replace('-', '')
  const algorithm = ALGORITHMS.find((known) => known === tag)
  return {
    ...(algorithm !== undefined && { algorithm }),
    ...(found[1] !== undefined && { of: path.slice(0, cut) + found[1] }),
  }
}

/** Whether `path` is a checksum text by its name, and so never an image. */
export function isChecksumFile(path: string): boolean {
  return checksumFileName(path) !== undefined
}

/** Detached signatures of lists hold no digest, and need none. */
export function isSignature(path: string): boolean {
  return /\.(?:asc|sig|sign|gpg)$/i.test(path)
}
