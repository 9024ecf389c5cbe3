/** What attacks begin with: the built program serving core.bin. */
import { mkdirSync } from 'node:fs'
import { join } from 'node:path'
import {
  imageBytes,
  putFile,
  type ServedProgram,
  serveFolder,
  stagingFolder,
  type Until,
} from '../clients/served.ts'

export const CORE = imageBytes(20_000, 'core')

export interface Target {
  readonly served: ServedProgram
  readonly folder: string
  /** The folder that holds the staging folder and nothing else, so that what lies beside it is ours too. */
  readonly outer: string
}

/** `prepare` puts what else there is into the folder, or beside it, before it is served. */
export async function serveCore(
  cleanUp: Until,
  prepare: (folder: string, outer: string) => void = () => undefined,
  flags: readonly string[] = [],
): Promise<Target> {
  const outer = await stagingFolder({}, cleanUp)
  const folder = join(outer, 'staging')
  mkdirSync(folder)
  putFile(folder, 'core.bin', CORE)
  prepare(folder, outer)
  const served = await serveFolder(folder, { cleanUp, flags })
  await served.image('core.bin')
  return { served, folder, outer }
}
