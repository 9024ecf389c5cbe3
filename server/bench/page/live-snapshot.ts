/** What the server says, kept up to date over its event stream, and what of it is worth saying aloud. */
import { PULLS_KEPT } from '../../defaults.ts'
import type { Snapshot, SnapshotChange } from '../snapshot-shape.ts'
import { announcementsOf, pullKey } from './announcements.ts'
import { answerTo } from './answers.ts'

/** `silent`: connected, but the server has not even sent a beat for a while; it may have been stopped. */
type ConnectionState = 'connecting' | 'live' | 'silent' | 'lost'

export interface LiveSnapshot {
  readonly connection: ConnectionState
  /** When the stream was lost. */
  readonly lostAt: Date | undefined
  /** How long it has been silent. */
  readonly quietSeconds: number
  readonly snapshot: Snapshot | undefined
}

interface LiveSnapshotOptions {
  readonly onChange: () => void
  /** The first word of a run that was not met before. */
  readonly onRun: () => void
  readonly say: (sentence: string) => void
}

/** After the browser itself gave up. */
const AGAIN_MS = 2_000
/** The server's beats come each five seconds. */
const QUIET_MS = 15_000
const TICK_MS = 1_000
/** A tick that comes so late: this page, or its laptop, stood still itself. */
const LATE_TICK_MS = 4_000
/** How often a page that nobody sees asks, for the sake of its title. */
const GLANCE_MS = 15_000

export function createLiveSnapshot({ onChange, onRun, say }: LiveSnapshotOptions): () => LiveSnapshot {
  // Long: one connection's state, with a function for each sign of life or of its want.
  let live: LiveSnapshot = {
    connection: 'connecting',
    lostAt: undefined,
    quietSeconds: 0,
    snapshot: undefined,
  }
  let stream: EventSource | undefined
  let again: ReturnType<typeof setTimeout> | undefined
  let glancing: ReturnType<typeof setInterval> | undefined
  let heardAt = performance.now()
  let tickedAt = heardAt

  function set(next: Partial<LiveSnapshot>): void {
    live = { ...live, ...next }
    onChange()
  }

  function take(part: SnapshotChange): void {
    const before = live.snapshot
    const snapshot = merged(before, part)
    hear(snapshot)
    if (before?.program.started !== snapshot.program.started) onRun()
    if (before !== undefined) for (const sentence of announcementsOf(before, snapshot)) say(sentence)
  }

  function hear(snapshot = live.snapshot): void {
    heardAt = performance.now()
    const { connection } = live
    if (connection === 'live' && snapshot === live.snapshot) return
    set({ connection: 'live', lostAt: undefined, quietSeconds: 0, snapshot })
    if (connection === 'lost' || connection === 'silent') say('The server answers again.')
  }

  function lose(): void {
    if (live.connection === 'lost') return
    if (live.snapshot !== undefined) say('The server does not answer.')
    set({ connection: 'lost', lostAt: new Date() })
  }

  function open(): void {
    close()
    heardAt = performance.now()
    const opened = new EventSource('/api/stream')
    stream = opened
    opened.onmessage = (event) => take(JSON.parse(String(event.data)) as SnapshotChange)
    opened.addEventListener('beat', () => hear())
    opened.onerror = () => {
      lose()
      if (opened.readyState === EventSource.CLOSED) again = setTimeout(open, AGAIN_MS)
    }
  }

  function close(): void {
    clearTimeout(again)
    stream?.close()
    stream = undefined
  }

  function tick(): void {
    const at = performance.now()
    const late = at - tickedAt > LATE_TICK_MS
    tickedAt = at
    if (late) heardAt = at
    if (stream === undefined || live.connection === 'lost' || at - heardAt < QUIET_MS) return
    if (live.connection !== 'silent') say('No word from the server.')
    set({ connection: 'silent', quietSeconds: Math.floor((at - heardAt) / 1000) })
  }

  async function glance(): Promise<void> {
    try {
      const { text } = await answerTo('/api/snapshot')
      if (stream === undefined) take(JSON.parse(text) as Snapshot)
    } catch {
      if (stream === undefined) lose()
    }
  }

  /**
   * A browser opens six connections to a server (its HTTP/1.1 limit), for all tabs together: a stream for each of
   * six forgotten tabs would leave none for the one that is looked at.
   */
  function follow(): void {
    clearInterval(glancing)
    if (document.visibilityState === 'hidden') {
      close()
      if (live.snapshot === undefined) void glance()
      glancing = setInterval(() => void glance(), GLANCE_MS)
    } else {
      if (live.snapshot !== undefined) set({ connection: 'connecting' })
      open()
    }
  }

  document.addEventListener('visibilitychange', follow)
  setInterval(tick, TICK_MS)
  follow()
  return () => live
}

/** What did not change stays the same object, so that only what changed is drawn again. */
function merged(before: Snapshot | undefined, { pullsChanged, ...part }: SnapshotChange): Snapshot {
  const next = { ...before, ...part } as Snapshot
  if (before === undefined) return next
  const { images, underWay, board } = part
  return {
    ...next,
    ...(images !== undefined && { images: kept(before.images, images, ({ name }) => name) }),
    ...(underWay !== undefined && { underWay: kept(before.underWay, underWay, pullKey) }),
    ...(pullsChanged !== undefined && { pulls: pullsAfter(next, pullsChanged) }),
    ...(board !== undefined && {
      board: { ...board, rows: kept(before.board.rows, board.rows, ({ key }) => key) },
    }),
  }
}

/** Newest first. What is under way again is not over. */
function pullsAfter({ pulls, underWay }: Snapshot, changed: Snapshot['pulls']): Snapshot['pulls'] {
  const known = new Map([...pulls, ...changed].map((pull) => [pullKey(pull), pull]))
  for (const pull of underWay) known.delete(pullKey(pull))
  return [...known.values()].sort((a, b) => b.begunSeq - a.begunSeq).slice(0, PULLS_KEPT)
}

function kept<T>(before: readonly T[], now: readonly T[], keyOf: (each: T) => string): readonly T[] {
  const known = new Map(before.map((each) => [keyOf(each), each]))
  return now.map((each) => {
    const old = known.get(keyOf(each))
    return old !== undefined && JSON.stringify(old) === JSON.stringify(each) ? old : each
  })
}
