/**
 * One feed of changes for all who listen: looked at when the depot says that something changed, at most four times a
 * second, and twice a second while bytes move; silent when nothing did. Everybody gets the same text, made once.
 */
import type { Depot } from '../depot/depot.ts'
import type { Snapshots } from './snapshot.ts'

/** Shortest time between two looks: four a second. */
const GATHER_MS = 250
/** While nothing but bytes moves: drawing bars costs a browser more than anything else here. */
const MOVING_MS = 500

export type Feed = ReturnType<typeof createFeed>

export function createFeed(depot: Depot, snapshots: Snapshots) {
  // Long: one timer, a function for each thing that moves it.
  const listeners = new Set<(json: string) => void>()
  let lookedAt = Number.NEGATIVE_INFINITY
  let timer: NodeJS.Timeout | undefined
  let stale = true

  function cancel(): void {
    clearTimeout(timer)
    timer = undefined
  }

  function look(): void {
    cancel()
    lookedAt = performance.now()
    stale = false
    const members = snapshots.refresh()
    if (members.length > 0 && listeners.size > 0) {
      const json = snapshots.json(members)
      for (const listener of [...listeners]) listener(json)
    }
    if (moving()) plan(MOVING_MS)
  }

  /** While anything is under way there is no event for each piece that goes out. */
  const moving = (): boolean => depot.delivery.underWay.list().length > 0

  function plan(afterMs: number): void {
    cancel()
    if (listeners.size === 0) return
    timer = setTimeout(look, Math.max(0, lookedAt + afterMs - performance.now()))
    timer.unref()
  }

  const onChange = (): void => {
    if (stale && timer !== undefined) return
    stale = true
    plan(GATHER_MS)
  }
  depot.events.on('changed', onChange)

  return {
    /** Calls back with JSON of the members that changed, from now on. Returns how to stop. */
    listen(listener: (json: string) => void): () => void {
      listeners.add(listener)
      if (stale || moving()) plan(GATHER_MS)
      return () => {
        listeners.delete(listener)
        if (listeners.size === 0) cancel()
      }
    },
    /** JSON of everything, not older than `GATHER_MS`. */
    whole(): string {
      if (stale || (moving() && performance.now() - lookedAt >= GATHER_MS)) look()
      return snapshots.whole()
    },
    close(): void {
      depot.events.off('changed', onChange)
      cancel()
      listeners.clear()
    },
  }
}
