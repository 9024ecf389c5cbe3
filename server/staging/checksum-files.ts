/** Files that may carry published checksums: the judge hears of each change, then every image is judged again. */
import { messageOf, systemCode } from '../errors.ts'
import { type FileIdentity, sameFile } from '../files/folder.ts'
import type { Judge } from './judge.ts'
import type { Sight } from './watch.ts'

/** Such files come in heaps; the images are judged once for all of them. */
const REJUDGE_AFTER_MS = 50

export function createChecksumFiles(options: {
  judge: Judge
  rejudge: () => Promise<void>
  onTrouble: (message: string) => void
}) {
  // Long: one queue of texts to be read; each function adds to it or waits for it.
  const known = new Map<string, FileIdentity>()
  /** Those that could not be read, with what was said about it. */
  const unread = new Map<string, string>()
  let reading: Promise<void> = Promise.resolve()
  let rejudging: Promise<void> | undefined
  /** A text changed since the images were judged last: whether it says anything shows when it has been read. */
  let told = false
  let due = false
  let closed = false

  function tell(name: string, gone: boolean): void {
    reading = reading
      .then(() => (closed ? undefined : options.judge.checksumFileChanged(name, gone)))
      .then(
        (counts) => {
          unread.delete(name)
          due ||= counts !== false
        },
        (error: unknown) => notRead(name, error),
      )
    told = true
    rejudging ??= rejudge()
  }

  /** Another program may hold it for a moment: tried again when it is seen next, and said once. */
  function notRead(name: string, error: unknown): void {
    const why = messageOf(error)
    known.delete(name)
    // What it said before does not count any more.
    due ||= !unread.has(name)
    if (unread.get(name) === why || systemCode(error) === 'ENOENT') return
    unread.set(name, why)
    options.onTrouble(
      `The checksum file ${name} could not be read, and is tried again every few seconds: ${why}`,
    )
  }

  /** Until nothing changed any more while the images were judged. */
  async function rejudge(): Promise<void> {
    while (told && !closed) {
      told = false
      await new Promise((wake) => setTimeout(wake, REJUDGE_AFTER_MS).unref())
      await reading
      if (closed || !due) continue
      due = false
      await options.rejudge()
    }
    rejudging = undefined
  }

  return {
    seen({ name, identity }: Sight): void {
      const before = known.get(name)
      if (before !== undefined && sameFile(before, identity)) return
      known.set(name, identity)
      tell(name, false)
    },
    gone(name: string): void {
      unread.delete(name)
      if (known.delete(name)) tell(name, true)
    },
    /** Resolves when the judge has heard of all that was seen. */
    read: (): Promise<void> => reading,
    /** Resolves when, besides, the images have been judged again. */
    async settled(): Promise<void> {
      while (rejudging !== undefined) await rejudging
      await reading
    },
    close(): void {
      closed = true
    },
  }
}
