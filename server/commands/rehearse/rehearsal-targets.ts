/** What a rehearsal fetches: from the server that serves the folder, or from a list at a base URL. */
import { request } from 'undici'
import type { Snapshot } from '../../bench/snapshot-shape.ts'
import { FetchproofError } from '../../errors.ts'
import { REHEARSAL_HEADER } from '../../image-port/image-port.ts'
import type { ImageView } from '../../report/image-view.ts'
import { stateWords } from '../../staging/image-words.ts'
import { digestPath } from '../../staging/naming.ts'
import { MAX_CHECKSUM_FILE_BYTES, parseChecksums } from '../../trust/published/parse.ts'
import { inWords, type Way } from './rehearsal-asking.ts'
import type { Difference, Target } from './rehearsal-checks.ts'

export interface Rehearsal {
  readonly bases: readonly { readonly url: string; readonly tunnel: boolean }[]
  /** Both paths of every image at every base. */
  readonly targets: readonly Target[]
  readonly notRehearsed: readonly { readonly name: string; readonly why: string }[]
  /** Found before anything was fetched. */
  readonly differences: readonly Difference[]
}

/** Every ready image at every own address that is listened on. */
export function targetsServed(
  addresses: Snapshot['addresses'],
  images: readonly Omit<ImageView, 'urls'>[],
): Rehearsal {
  const bases = addresses.flatMap(({ urls, tunnel }) =>
    urls.filter(({ door }) => door === 'http').map(({ url }) => ({ url, tunnel })),
  )
  const offered = images.flatMap(({ name, state, plainPath, digestPath: short, bytes, sha256 }) =>
    state === 'ready' && sha256 !== null ? [{ name, paths: pathsOf(plainPath, short), bytes, sha256 }] : [],
  )
  const targets = bases.flatMap(({ url: base }) =>
    offered.flatMap(({ paths, ...image }) => paths.map((path) => ({ base, path, ...image }))),
  )
  const notRehearsed = images
    .filter(({ state }) => state !== 'ready')
    .map(({ name, state, reason }) => ({
      name,
      why: reason === null ? stateWords(state) : `${stateWords(state)}: ${reason}`,
    }))
  return { bases, targets, notRehearsed, differences: [] }
}

const LIST_PATH = '/SHA256SUMS'
/** What a plain path may hold (RFC 3986 §2.3, less `~`). */
const PLAIN_NAME = /^[A-Za-z0-9._-]+(?:\/[A-Za-z0-9._-]+)*$/

/**
 * Every image of the list that `serve --list` offers. Sizes are not in it. Throws FP_BASE_UNREACHABLE,
 * FP_LIST_NOT_OFFERED, FP_REHEARSAL_CODE.
 */
export async function targetsOfList(base: string, way: Way): Promise<Rehearsal> {
  const url = base + LIST_PATH
  const { entries, problems } = parseChecksums('SHA256SUMS', await fetchList(base, url, way))
  const bad = problems.map(({ line, what }) => ({ url, check: 'list', found: `line ${line}: ${what}` }))
  const targets = entries.flatMap(({ name, digest }) => {
    if (name === undefined || !PLAIN_NAME.test(name)) {
      bad.push({ url, check: 'list', found: `${name ?? digest} is no plain path` })
      return []
    }
    const image = { base, name, bytes: undefined, sha256: digest }
    return pathsOf(`/${name}`, digestPath(name, digest)).map((path) => ({ ...image, path }))
  })
  return { bases: [{ url: base, tunnel: false }], targets, notRehearsed: [], differences: bad.slice(0, 20) }
}

async function fetchList(base: string, url: string, { dispatcher, code }: Way): Promise<Buffer> {
  const pieces: Buffer[] = []
  let bytes = 0
  let status = 0
  let believed = code === undefined
  try {
    const response = await request(url, {
      headers: { [REHEARSAL_HEADER]: code ?? 'yes' },
      dispatcher,
      reset: true,
    })
    status = response.statusCode
    believed ||= response.headers[REHEARSAL_HEADER] !== undefined
    response.body.on('error', () => undefined)
    for await (const piece of status === 200 ? response.body : []) {
      pieces.push(piece as Buffer)
      bytes += (piece as Buffer).length
      if (bytes > MAX_CHECKSUM_FILE_BYTES) break
    }
    response.body.destroy()
  } catch (error) {
    throw new FetchproofError('FP_BASE_UNREACHABLE', { base, cause: inWords(error) }, { cause: error })
  }
  if (status !== 200) throw new FetchproofError('FP_LIST_NOT_OFFERED', { url, status })
  // What follows would stand on record as the pulls of a device.
  if (!believed) throw new FetchproofError('FP_REHEARSAL_CODE', { base })
  return Buffer.concat(pieces)
}

function pathsOf(plainPath: string, short: string | null): string[] {
  return short === null || short === plainPath ? [plainPath] : [plainPath, short]
}
