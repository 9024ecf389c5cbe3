/** Entries as they come, from wherever, and waiting for those that a test means: each with a deadline. */
import { EventEmitter, once } from 'node:events'
import type { Entry, EntryKind, EntryOf } from '../../server/ledger/entries.ts'

export interface Heard {
  /** All that have come so far. */
  readonly entries: readonly Entry[]
  /** The first entry of a kind that fits, already there or still to come. */
  entry<K extends EntryKind>(
    kind: K,
    fits?: (entry: EntryOf<K>) => boolean,
    deadlineMs?: number,
  ): Promise<EntryOf<K>>
  /** The newest `image` entry of a file; with `sha256` waits for that version. */
  image(name: string, sha256?: string): Promise<EntryOf<'image'>>
  /** Entries of the `nth` fetch that came from this port of the client. */
  begun(clientPort: number, nth?: number): Promise<EntryOf<'fetch-begun'>>
  ended(clientPort: number, nth?: number, deadlineMs?: number): Promise<EntryOf<'fetch-ended'>>
  refused(clientPort: number): Promise<EntryOf<'fetch-refused'>>
}

/** `words`: what else is said where an entry does not come. */
export function hearEntries(deadlineMs: number, words: () => string = () => '') {
  const entries: Entry[] = []
  const heard = new EventEmitter<{ news: [] }>().setMaxListeners(0)
  let over = false

  async function wait<T>(find: () => T | undefined, what: string, ms = deadlineMs): Promise<T> {
    const signal = AbortSignal.timeout(ms)
    for (;;) {
      const found = find()
      if (found !== undefined) return found
      if (!over && !signal.aborted) await once(heard, 'news', { signal }).catch(() => undefined)
      else {
        const last = entries.slice(-5).map((entry) => JSON.stringify(entry))
        throw new Error(`no ${what} within ${ms} ms\n${last.join('\n')}\n${words()}`)
      }
    }
  }

  const waits: Heard = {
    entries,
    entry: <K extends EntryKind>(kind: K, fits: (entry: EntryOf<K>) => boolean = () => true, ms?: number) =>
      wait(
        () => entries.find((entry) => entry.kind === kind && fits(entry as EntryOf<K>)) as EntryOf<K>,
        kind,
        ms,
      ),
    image: (name, digest) =>
      wait(
        () =>
          entries.findLast(
            (entry): entry is EntryOf<'image'> =>
              entry.kind === 'image' &&
              entry.name === name &&
              (digest === undefined || entry.sha256 === digest),
          ),
        `image ${name}`,
      ),
    begun: (clientPort, nth = 0) =>
      wait(
        () =>
          entries.filter(
            (entry): entry is EntryOf<'fetch-begun'> =>
              entry.kind === 'fetch-begun' && entry.client.port === clientPort,
          )[nth],
        `fetch-begun of port ${clientPort}`,
      ),
    async ended(clientPort, nth, ms) {
      const { id } = await waits.begun(clientPort, nth)
      return waits.entry('fetch-ended', (entry) => entry.id === id, ms)
    },
    refused: (clientPort) => waits.entry('fetch-refused', ({ client }) => client.port === clientPort),
  }

  return {
    waits,
    hear(came: readonly Entry[]): void {
      entries.push(...came)
      heard.emit('news')
    },
    /** Nothing more comes: who still waits is told so. */
    end(): void {
      over = true
      heard.emit('news')
    },
  }
}
