/** Digests besides SHA-256: at once when a published checksum asks for one, else in the background. */
import { FetchproofError } from '../errors.ts'
import { type OpenFile, sameFile } from '../files/folder.ts'
import type { Digests } from './digests.ts'
import type { Version } from './image.ts'

/** What devices and makers print, besides SHA-256 and CRC-32 (common practice). */
const BACKGROUND = ['md5', 'sha1', 'sha512'] as const
/** All that published checksums may ask for. */
const FURTHER_ALGORITHMS: readonly string[] = ['md5', 'sha1', 'sha224', 'sha384', 'sha512']

export type FurtherDigests = ReturnType<typeof createFurtherDigests>

export function createFurtherDigests(digests: Digests, open: (name: string) => Promise<OpenFile>) {
  async function compute(
    name: string,
    version: Version,
    algorithms: readonly string[],
    urgent: boolean,
    signal: AbortSignal | undefined,
  ): Promise<Readonly<Record<string, string>> | undefined> {
    const result = await digests.more({
      bytes: version.bytes,
      open: () => open(name),
      algorithms,
      urgent,
      signal,
    })
    if (result.kind !== 'done' || !sameFile(result.value.identity, version.identity)) return undefined
    return result.value.digests
  }

  return {
    /** One digest of exactly this version. Throws FP_IMAGE_CHANGED, FP_IMAGE_UNREADABLE. */
    async digest(name: string, version: Version, algorithm: string, signal?: AbortSignal): Promise<string> {
      if (algorithm === 'sha256') return version.sha256
      if (algorithm === 'crc32') return version.crc32
      const known = version.more[algorithm]
      if (known !== undefined) return known
      if (!FURTHER_ALGORITHMS.includes(algorithm)) {
        const cause = `there is no algorithm ${algorithm} here`
        throw new FetchproofError('FP_IMAGE_UNREADABLE', { image: name, cause })
      }
      const computed = (await compute(name, version, [algorithm], true, signal))?.[algorithm]
      if (computed === undefined) throw new FetchproofError('FP_IMAGE_CHANGED', { image: name })
      return computed
    },
    /** The background ones that are missing; undefined when the file moved or could not be read. */
    async rest(
      name: string,
      version: Version,
      signal: AbortSignal,
    ): Promise<Readonly<Record<string, string>> | undefined> {
      const missing = BACKGROUND.filter((algorithm) => version.more[algorithm] === undefined)
      if (missing.length === 0) return undefined
      // A file that cannot be read again just now is no fault of the image: it was read and judged.
      return compute(name, version, missing, false, signal).catch(() => undefined)
    },
  }
}
