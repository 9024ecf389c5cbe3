/**
 * `fdatasync` for many entries at once, never two at a time. An entry waits a little for company, or none at all
 * when a person is about to be shown it (an ending, a hold); while one sync runs the next group gathers.
 */
import type { Entry, EntryKind } from './entries.ts'

/** How long an entry waits for company. At most 1 s is promised; a group gathers well within 50 ms. */
export const GATHER_MS = 50

/** Kinds that somebody is told of at once: their group is synced without waiting. */
const AT_ONCE: ReadonlySet<EntryKind> = new Set<EntryKind>([
  'fetch-ended',
  'closed',
  'held',
  'lifted',
  'struck',
  'published',
  'observed',
  'recovered',
])

interface GroupSyncOptions {
  datasync(): Promise<void>
  gatherMs: number
  /** Entries that are durable now, in the order of the ledger. */
  onSynced(entries: readonly Entry[]): void
  /** The first failure; nothing is synced after it. */
  onFailed(error: unknown): void
}

type Group = ReturnType<typeof newGroup>

export function createGroupSync(options: GroupSyncOptions) {
  // Long: one group gathers while another is synced; a function for each step.
  let gathering = newGroup()
  let running: Group | undefined
  let hurried = false
  let timer: NodeJS.Timeout | undefined
  let soon: NodeJS.Immediate | undefined
  let failed = false

  return {
    added(entry: Entry): void {
      gathering.entries.push(entry)
      hurried ||= AT_ONCE.has(entry.kind)
      schedule()
    },
    /** Resolves when everything added so far is durable; rejects when a sync has failed. */
    settled(): Promise<void> {
      if (failed || gathering.entries.length > 0) {
        hurried = true
        schedule()
        return gathering.done
      }
      return running?.done ?? Promise.resolve()
    },
  }

  function schedule(): void {
    if (running !== undefined || failed || gathering.entries.length === 0) return
    // Even in a hurry the entries of this turn of the event loop go together.
    if (hurried) soon ??= setImmediate(start)
    else timer ??= setTimeout(start, options.gatherMs)
  }

  function start(): void {
    clearTimeout(timer)
    clearImmediate(soon)
    timer = undefined
    soon = undefined
    hurried = false
    const group = gathering
    gathering = newGroup()
    running = group
    options.datasync().then(
      () => finish(group),
      (error: unknown) => fail(group, error),
    )
  }

  function finish(group: Group): void {
    running = undefined
    schedule()
    group.resolve()
    options.onSynced(group.entries)
  }

  function fail(group: Group, error: unknown): void {
    running = undefined
    failed = true
    group.reject(error)
    gathering.reject(error)
    options.onFailed(error)
  }
}

function newGroup() {
  const entries: Entry[] = []
  let resolve: () => void = () => undefined
  let reject: (error: unknown) => void = () => undefined
  const done = new Promise<void>((yes, no) => {
    resolve = yes
    reject = no
  })
  // Nobody need be waiting for it; whoever is sees the rejection all the same.
  done.catch(() => undefined)
  return { entries, done, resolve, reject }
}
