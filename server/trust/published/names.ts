/**
 * Which file names are checksum files: a sidecar (`NAME.sha256`) or a list (`SHA256SUMS`, `checksums.txt`),
 * in any letter case. The names are common practice; GNU coreutils and Debian's packages (`*.md5sums`) set
 * most of them.
 */
import type { Algorithm } from '../digests/algorithm.ts'
import { algorithmOfTag } from '../digests/algorithm.ts'

export type ChecksumFileName =
  | { readonly kind: 'sidecar'; readonly of: string; readonly algorithm: Algorithm }
  | { readonly kind: 'list'; readonly algorithm?: Algorithm }

const ALGORITHM = '(md5|sha-?1|sha-?224|sha-?256|sha-?384|sha-?512)'
const LISTS = [
  // SHA256SUMS, sha256sum.txt, md5sums, SHA512SUM, sha256.txt, release-1.2.SHA256SUMS, NAME_SHA256SUMS
  new RegExp(`^(?:.*[-_.])?${ALGORITHM}[-_]?sums(?:\\.txt)?$`, 'i'),
  new RegExp(`^(?:.*[-_])?${ALGORITHM}(?:[-_]?sum)?(?:\\.txt)?$`, 'i'),
  // checksums.txt, CHECKSUMS, checksum, NAME_checksums.txt, checksums-sha256.txt, checksums.sha256
  new RegExp(`^(?:.*[-_.])?checksums?(?:[-_.]${ALGORITHM})?(?:\\.txt)?$`, 'i'),
  // sha256-checksums.txt
  new RegExp(`^(?:.*[-_])?${ALGORITHM}[-_.]?checksums?(?:\\.txt)?$`, 'i'),
]
const SIDECAR = new RegExp(`^(.+)\\.${ALGORITHM}(?:sum)?(?:\\.txt)?$`, 'i')

/**
 * What `path` (within the staging folder, `/` between folders) is by its name: a sidecar with the path it
 * belongs to, a list, or undefined for a file that is no checksum file.
 */
export function checksumFileName(path: string): ChecksumFileName | undefined {
  const cut = path.lastIndexOf('/') + 1
  const base = path.slice(cut)
  for (const pattern of LISTS) {
    const found = pattern.exec(base)
    if (found === null) continue
    const algorithm = found[1] === undefined ? undefined : algorithmOfTag(found[1])
    return algorithm === undefined ? { kind: 'list' } : { kind: 'list', algorithm }
  }
  const sidecar = SIDECAR.exec(base)
  const algorithm = sidecar?.[2] === undefined ? undefined : algorithmOfTag(sidecar[2])
  if (sidecar?.[1] === undefined || algorithm === undefined) return undefined
  return { kind: 'sidecar', of: path.slice(0, cut) + sidecar[1], algorithm }
}

/** Whether `path` is a checksum file by its name, and so never an image. */
export function isChecksumFile(path: string): boolean {
  return checksumFileName(path) !== undefined
}
