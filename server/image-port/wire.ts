/**
 * One connection as delivery sees it. The body is written to the socket itself, not through the response, which
 * would close it in its own time: when our end of stream leaves decides what the client's close can prove.
 */
import type { Wire } from '../delivery/fetch.ts'
import type { Connection } from './connection.ts'

export function wireOf(connection: Connection): Wire {
  const { socket } = connection
  return {
    connection: connection.endpoints,
    write: (piece, taken) => void socket.write(piece, unlessFailed(taken)),
    end: (piece, taken) => void socket.end(piece, unlessFailed(taken)),
    endOfStream: () => void socket.end(),
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

function unlessFailed(taken: () => void) {
  return (error?: Error | null): void => {
    if (error == null) taken()
  }
}
