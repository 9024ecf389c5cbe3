/**
 * The event stream (WHATWG HTML §9.2, server-sent events): the whole snapshot first, then what changes. A beat is
 * an event of its own name: a comment would keep the connection, and tell the page nothing.
 */
import type { FastifyInstance, FastifyReply } from 'fastify'
import { FetchproofError } from '../errors.ts'
import type { Feed } from './feed.ts'

/** A browser tab and some more; each costs a connection. */
const STREAMS_AT_MOST = 32
/** The page says after three of them that it hears nothing. */
const HEARTBEAT_MS = 5_000
/** The page asks again this long after it lost the stream. */
const RETRY_MS = 1_000

interface StreamOptions {
  readonly feed: Feed
  readonly heartbeatMs?: number | undefined
}

/** `GET /api/stream`; its streams end in `preClose`, since an open one would hold up closing. */
export function addStream(app: FastifyInstance, { feed, heartbeatMs = HEARTBEAT_MS }: StreamOptions): void {
  const open = new Set<() => void>()

  app.get('/api/stream', (_request, reply) => {
    if (open.size >= STREAMS_AT_MOST) throw new FetchproofError('FP_PAGE_BUSY', { most: STREAMS_AT_MOST })
    begin(reply)
  })
  app.addHook('preClose', async () => {
    for (const end of [...open]) end()
  })

  function begin(reply: FastifyReply): void {
    reply.hijack()
    const { raw } = reply
    raw.writeHead(200, {
      ...reply.getHeaders(),
      'content-type': 'text/event-stream; charset=utf-8',
      'cache-control': 'no-store',
    } as Record<string, string>)
    // A page that does not read (its tab sleeps) is not written to; when it reads again it gets everything.
    let behind = false
    const send = (json: string): void => {
      if (raw.writableNeedDrain) behind = true
      else raw.write(`data: ${json}\n\n`)
    }
    raw.write(`retry: ${RETRY_MS}\n`)
    raw.on('drain', () => {
      if (!behind) return
      behind = false
      send(feed.whole())
    })
    send(feed.whole())
    const stop = feed.listen(send)
    const heartbeat = setInterval(() => {
      if (!raw.writableNeedDrain) raw.write('event: beat\ndata: still here\n\n')
    }, heartbeatMs)
    heartbeat.unref()
    const end = (): void => {
      if (!open.delete(end)) return
      stop()
      clearInterval(heartbeat)
      raw.end()
    }
    open.add(end)
    raw.on('close', end)
    raw.on('error', end)
  }
}
