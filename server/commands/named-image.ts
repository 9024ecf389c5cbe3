/** Which image a person means: its name, a path that it is served under, or the file as the shell completes it. */
import { relative, resolve, sep } from 'node:path'
import { FetchproofError } from '../errors.ts'
import { createNearestNames } from '../staging/nearest-name.ts'

interface Nameable {
  readonly name: string
  readonly plainPath: string
  readonly digestPath?: string | null
}

/** Throws FP_IMAGE_UNKNOWN with the nearest name. */
export function imageNamed<T extends Nameable>(images: readonly T[], given: string, folder: string): T {
  const path = given.startsWith('/') ? given : `/${given}`
  const inFolder = relative(folder, resolve(given)).split(sep).join('/')
  const found =
    images.find(({ name }) => name === given) ??
    images.find(({ plainPath, digestPath }) => plainPath === path || digestPath === path) ??
    images.find(({ name }) => name === inFolder) ??
    images.find(({ name }) => name.normalize('NFC') === given.normalize('NFC'))
  if (found !== undefined) return found
  const names = createNearestNames()
  for (const { name } of images) names.set(name, name)
  const nearest = names.find(given)
  const hint =
    nearest === undefined ? '"fetchproof images" lists what is there.' : `The nearest name is ${nearest}.`
  throw new FetchproofError('FP_IMAGE_UNKNOWN', { image: given, folder, hint })
}
