/** What the server says, kept up to date over its event stream, and what of it is worth saying aloud. */
import type { Snapshot } from '../snapshot-shape.ts'
import { headlines } from './headlines.ts'

export type Connection = 'connecting' | 'live' | 'lost'

export interface News {
  readonly connection: Connection
  /** When the stream was lost. */
  readonly lostAt: Date | undefined
  readonly snapshot: Snapshot | undefined
}

export interface NewsFeed {
  now(): News
  subscribe(listener: () => void): () => void
}

export interface NewsOptions {
  /** The first word of a run that was not met before. */
  readonly onRun: () => void
  readonly say: (sentence: string) => void
}

/** Three heartbeats of the server. */
const SILENT_MS = 15_000
/** After the browser itself gave up. */
const AGAIN_MS = 2_000

export function createNews({ onRun, say }: NewsOptions): NewsFeed {
  const listeners = new Set<() => void>()
  let news: News = { connection: 'connecting', lostAt: undefined, snapshot: undefined }

  function set(next: Partial<News>): void {
    news = { ...news, ...next }
    for (const listener of listeners) listener()
  }

  function take(part: Partial<Snapshot>): void {
    const before = news.snapshot
    const snapshot = merged(before, part)
    const back = news.connection === 'lost'
    set({ connection: 'live', lostAt: undefined, snapshot })
    if (before?.program.started !== snapshot.program.started) onRun()
    if (back) say('The server answers again.')
    if (before !== undefined) for (const sentence of headlines(before, snapshot)) say(sentence)
  }

  let stream: EventSource | undefined
  let again: ReturnType<typeof setTimeout> | undefined
  let lastWordMs = 0

  function lose(): void {
    if (news.connection === 'lost') return
    if (news.snapshot !== undefined) say('The server does not answer.')
    set({ connection: 'lost', lostAt: new Date() })
  }

  function rest(): void {
    clearTimeout(again)
    stream?.close()
    stream = undefined
  }

  function listen(): void {
    rest()
    const source = new EventSource('/api/stream')
    stream = source
    lastWordMs = performance.now()
    const heard = (): void => {
      lastWordMs = performance.now()
    }
    source.addEventListener('here', () => {
      heard()
      if (news.connection === 'lost' && news.snapshot !== undefined) take({})
    })
    source.onmessage = (event) => {
      heard()
      take(JSON.parse(String(event.data)) as Partial<Snapshot>)
    }
    source.onerror = () => {
      lose()
      if (source.readyState === EventSource.CLOSED && stream === source) again = setTimeout(listen, AGAIN_MS)
    }
  }
  listen()

  // A connection that stays open says nothing of a server that stands still.
  setInterval(() => {
    if (stream?.readyState === EventSource.OPEN && performance.now() - lastWordMs > SILENT_MS) lose()
  }, 1_000)

  // A browser lets few connections to one server, for all tabs together: one that nobody looks at while another is
  // looked at rests. The only one goes on, since its title says when something needs a hand.
  const tabs = new BroadcastChannel('fetchproof-bench')
  tabs.onmessage = () => {
    if (document.hidden) rest()
  }
  const shown = (): void => {
    if (document.hidden) return
    tabs.postMessage('shown')
    if (stream === undefined) listen()
  }
  document.addEventListener('visibilitychange', shown)
  shown()

  return {
    now: () => news,
    subscribe(listener) {
      listeners.add(listener)
      return () => listeners.delete(listener)
    },
  }
}

/** What did not change stays the same object, so that only what changed is drawn again. */
function merged(before: Snapshot | undefined, part: Partial<Snapshot>): Snapshot {
  const next = { ...before, ...part } as Snapshot
  if (before === undefined || part.images === undefined) return next
  const known = new Map(before.images.map((image) => [image.name, image]))
  const images = part.images.map((image) => {
    const old = known.get(image.name)
    return old !== undefined && JSON.stringify(old) === JSON.stringify(image) ? old : image
  })
  return { ...next, images }
}
