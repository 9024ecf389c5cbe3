/** The images of a folder by name, each with its own life, and the plain paths that they share out. */
import { FetchproofError } from '../errors.ts'
import { createConcurrencyLimit } from '../files/concurrency-limit.ts'
import type { Image } from './image.ts'
import { createImageLife, type ImageLife } from './image-life.ts'
import type { LifeOptions } from './life-state.ts'
import type { PlacedPath, PlainPaths } from './plain-paths.ts'
import type { Sight } from './watch.ts'

const JUDGED_AT_ONCE = 2

interface ImageLivesOptions
  extends Omit<LifeOptions, 'file' | 'inTurn' | 'place' | 'keepPath' | 'onSettledness'> {
  readonly paths: PlainPaths
  /** Absolute path of a name. */
  readonly fileOf: (name: string) => string
  readonly onGone: (image: Image) => void
}

export function createImageLives(options: ImageLivesOptions) {
  // Long: one list of lives; each function is a change of it or a question to it.
  const { paths, store } = options
  const lives = new Map<string, ImageLife>()
  const unsettled = new Set<string>()
  const inTurn = createConcurrencyLimit(JUDGED_AT_ONCE)
  let closed = false

  function begin(sight: Sight): void {
    const { name } = sight
    const life = createImageLife(
      {
        ...options,
        file: options.fileOf(name),
        inTurn,
        place(sha256) {
          const placements = paths.place(name, sha256)
          repath(placements.filter((other) => other.name !== name))
          return paths.get(name) ?? { name, path: `/${name}` }
        },
        keepPath: () => paths.keep(name),
        onSettledness(settled) {
          if (settled) unsettled.delete(name)
          else unsettled.add(name)
        },
      },
      sight,
    )
    lives.set(name, life)
    life.begin()
  }

  function repath(placements: readonly PlacedPath[]): void {
    for (const placed of placements) lives.get(placed.name)?.moveTo(placed)
  }

  function current(name: string): ImageLife {
    const life = lives.get(name)
    if (life !== undefined) return life
    throw new FetchproofError('FP_IMAGE_UNKNOWN', {
      image: name,
      folder: 'the staging folder',
      hint: 'Its name is written as in the folder, letter for letter.',
    })
  }

  return {
    get: (name: string): Image | undefined => lives.get(name)?.image,
    *all(): Iterable<Image> {
      for (const life of lives.values()) yield life.image
    },
    seen(sight: Sight): void {
      const life = lives.get(sight.name)
      if (closed) return
      if (life === undefined) begin(sight)
      else life.seen(sight)
    },
    gone(name: string): void {
      const life = lives.get(name)
      if (life === undefined || closed) return
      lives.delete(name)
      life.end()
      unsettled.delete(name)
      store.remove(name)
      repath(paths.remove(name))
      life.removed()
      options.onGone(life.image)
    },
    readyNow: (name: string): void => current(name).readyNow(),
    /** What a person decided about it counts at once. */
    decided: (name: string): void => lives.get(name)?.decided(),
    reread: (name: string): void => void current(name).reread(),
    rejudge: async (name: string): Promise<void> => lives.get(name)?.rejudge(),
    /** All ready, held or locked, and none being judged. */
    areSettled: (): boolean => unsettled.size === 0,
    close(): void {
      closed = true
      for (const life of lives.values()) life.end()
    },
  }
}
