/**
 * One connection as delivery sees it. The body is written to the socket itself, not through the response: only
 * so do the last piece and our end of stream leave in one call. Milliseconds between them make good clients,
 * which close as soon as they hold the promised length, look as if they had closed before.
 */
import type { Wire } from '../delivery/fetch.ts'
import type { Connection } from './connections.ts'

export function wireOf(connection: Connection): Wire {
  const { socket } = connection
  return {
    connection: connection.endpoints,
    write: (piece, taken) => {
      socket.write(piece, (error) => {
        if (error == null) taken()
      })
    },
    end: (piece, taken) => {
      socket.end(piece, () => taken())
    },
    release: () => {
      if (socket.destroyed) return
      if (socket.writableFinished) socket.destroy()
      else socket.end(() => socket.destroy())
    },
    reset: () => {
      if (!socket.destroyed) socket.resetAndDestroy()
    },
    watch: (listener) => connection.watch(listener),
  }
}
