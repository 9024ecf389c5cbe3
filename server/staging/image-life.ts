/**
 * The life of one image from first sight to offer: settle, read, judge, offer or hold, and back to settling as
 * soon as the file moves. Every wait is followed by a look at the file itself, and whatever comes back from a
 * wait for an earlier state of the file is dropped (`moved`).
 */
import { sameFile } from '../files/folder.ts'
import { type Image, isJudged } from './image.ts'
import { createUnmoved } from './life-judging.ts'
import { conclude, decided } from './life-offering.ts'
import { read, retry } from './life-reading.ts'
import { lookThenProceed, proceed, restart } from './life-settling.ts'
import { createLifeState, type LifeOptions, type LifeState } from './life-state.ts'
import type { PlacedPath } from './plain-paths.ts'
import type { Sight } from './watch.ts'

export type ImageLife = ReturnType<typeof createImageLife>

export function createImageLife(options: LifeOptions, sight: Sight) {
  // Long: a list of what others may ask of one image; what is done stands in the files of its stages.
  const { name } = sight
  const known = options.store.find(name, sight.identity)
  const life: LifeState = createLifeState(
    options,
    {
      file: options.file,
      sight,
      placed: { name, path: `/${name}` },
      state: known === undefined ? 'settling' : 'reading',
      ...known,
    },
    {
      unmoved: createUnmoved,
      next: {
        restart: (now, isVoid = false) => restart(life, now, isVoid, () => createUnmoved(life)),
        proceed: () => proceed(life),
        read: () => read(life),
        conclude: () => conclude(life),
      },
    },
  )
  return {
    get image(): Image {
      return life.image
    },
    begin(): void {
      const placed = options.place(known?.version.sha256)
      if (known === undefined) {
        life.publish({ placed })
        life.next.proceed()
        return
      }
      // The same file as when it was read: nothing to settle, only published checksums to compare again.
      life.unmoved.impatient = true
      life.publish({ placed, progress: 1 })
      void life.unmoved.judging.now()
      life.tellSettledness()
    },
    seen(now: Sight): void {
      if (!sameFile(life.facts.sight.identity, now.identity)) life.next.restart(now)
    },
    /** Another file's path changed its own. */
    moveTo: (placed: PlacedPath): void => life.publish({ placed }),
    /** Waits no longer for the file to be quiet. */
    readyNow(): void {
      life.unmoved.impatient = true
      if (life.image.state === 'locked') retry(life)
      else void lookThenProceed(life)
    },
    /** A person decided something: a hold, a lift, or that one of these was a mistake. */
    decided: (): void => decided(life),
    /** What is known about the bytes is void, unless a look says that the file has moved: then that counts. */
    async reread(): Promise<void> {
      const { signal } = life.unmoved.moved
      await options.look(name)
      if (!life.still(signal)) return
      options.store.remove(name)
      life.next.restart(life.facts.sight, true)
    },
    async rejudge(): Promise<void> {
      if (life.facts.version === undefined) return
      const judged = life.unmoved.judging.now()
      life.tellSettledness()
      await judged
    },
    /** Waits for nothing any more; idempotent. */
    end(): void {
      life.ended = true
      life.unmoved.moved.abort()
      life.waitNoLonger()
    },
    /** Tells those who were offered it, after the end. */
    removed(): void {
      const last = life.unmoved.touched ?? life.image
      if (isJudged(last)) options.onLost(last, 'removed')
    },
  }
}
