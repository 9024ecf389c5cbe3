/** What a rehearsal fetches: from the server that serves the folder, or from a list at a base URL. */
import type { Snapshot } from '../../bench/snapshot-shape.ts'
import { type Difference, LIST_PATH, type Rehearser, type Target } from '../../depot/door.ts'
import type { ImageView } from '../../report/image-view.ts'
import { stateWords } from '../../staging/image-words.ts'
import { digestPath } from '../../staging/naming.ts'
import { findDigests } from '../../trust/digests/stated-digests.ts'
import type { RunningServer } from '../running-server.ts'

export interface Rehearsal {
  readonly bases: readonly { readonly url: string; readonly tunnel: boolean }[]
  /** Both paths of every image at every base. */
  readonly targets: readonly Target[]
  readonly notRehearsed: readonly { readonly name: string; readonly why: string }[]
  /** Found before anything was fetched. */
  readonly differences: readonly Difference[]
}

/** Every ready image at every own address that is listened on. */
export async function targetsServed({ ask }: RunningServer): Promise<Rehearsal> {
  const { addresses } = (await ask('GET', '/api/snapshot')) as Pick<Snapshot, 'addresses'>
  // All of them: the snapshot has no more than a page can show.
  const { images } = (await ask('GET', '/api/images')) as { images: readonly ImageView[] }
  const bases = addresses.flatMap(({ urls, tunnel }) => urls.map(({ url }) => ({ url, tunnel })))
  const offered = images.flatMap(({ name, state, plainPath, digestPath: short, bytes, sha256 }) =>
    state === 'ready' && sha256 !== null
      ? pathsOf(plainPath, short).map((path) => ({ name, path, bytes, sha256 }))
      : [],
  )
  const targets = bases.flatMap(({ url: base }) => offered.map((image) => ({ base, ...image })))
  const notRehearsed = images
    .filter(({ state }) => state !== 'ready')
    .map(({ name, state, reason }) => ({
      name,
      why: reason === null ? stateWords(state) : `${stateWords(state)}: ${reason}`,
    }))
  return { bases, targets, notRehearsed, differences: [] }
}

/** What a plain path may hold (RFC 3986 §2.3, less `~`). */
const PLAIN_NAME = /^[A-Za-z0-9._-]+(?:\/[A-Za-z0-9._-]+)*$/

/**
 * Every image of the list that `serve --list` offers. Sizes are not in it. Throws FP_BASE_UNREACHABLE,
 * FP_LIST_NOT_OFFERED, FP_REHEARSAL_CODE.
 */
export async function targetsOfList(base: string, rehearser: Rehearser): Promise<Rehearsal> {
  const url = base + LIST_PATH
  const { stated, notRead } = findDigests(await rehearser.list(base), 'sha256')
  const bad = notRead.map(({ line, what }) => ({ url, check: 'list', found: `line ${line}: ${what}` }))
  const targets = stated.flatMap(({ names: [name], digest }) => {
    if (name === undefined || !PLAIN_NAME.test(name)) {
      bad.push({ url, check: 'list', found: `${name ?? digest} is no plain path` })
      return []
    }
    const image = { base, name, bytes: undefined, sha256: digest }
    return pathsOf(`/${name}`, digestPath(name, digest)).map((path) => ({ ...image, path }))
  })
  return { bases: [{ url: base, tunnel: false }], targets, notRehearsed: [], differences: bad.slice(0, 20) }
}

function pathsOf(plainPath: string, short: string | null): string[] {
  return short === null || short === plainPath ? [plainPath] : [plainPath, short]
}
