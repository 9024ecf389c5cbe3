/** Telling what happened to images: what goes wrong in a listener is no fault of the file, and keeps it from no other. */
import type { EventEmitter } from 'node:events'
import { messageOf } from '../errors.ts'
import type { CatalogueEvents } from './image.ts'

/** A listener's fault is told as trouble, once for each sentence. */
export function createTell(events: EventEmitter<CatalogueEvents>) {
  const said = new Set<string>()

  function tell<K extends keyof CatalogueEvents>(event: K, ...about: CatalogueEvents[K]): void {
    for (const listener of events.rawListeners(event) as ((...about: CatalogueEvents[K]) => void)[]) {
      try {
        listener(...about)
      } catch (error) {
        const why = messageOf(error)
        const message = `A fault of this program, which goes on (told that an image is ${event}): ${why}`
        if (event === 'trouble' || said.has(message)) continue
        said.add(message)
        tell('trouble', message)
      }
    }
  }
  return tell
}
