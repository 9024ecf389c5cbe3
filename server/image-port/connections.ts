/** The connections that devices have open, and which of them makes room where all are taken. */
import type { Server } from 'node:http'
import type { Socket } from 'node:net'
import { type Connection, type ConnectionLimits, createConnection } from './connection.ts'

interface ConnectionsEvents {
  /** No complete request came in time, or all connections were taken. */
  readonly dropped: (connection: Connection, reason: string, status?: 503) => void
  /** A connection was dropped because the system lets the program open no more files, or could not be taken. */
  readonly crowded?: () => void
}

const ALL_TAKEN = 'all connections were taken'
const NO_MORE_FILES = 'the system lets the program open no more files'

export function createConnections(limits: ConnectionLimits, events: ConnectionsEvents) {
  const { requestMs, maxConnections, waiting, after } = limits
  const late = `no complete request came within ${Math.round(requestMs / 1000)} s`
  const held = new Map<Socket, Connection>()
  /** Those that are not busy, the oldest of each client first; kept, so that a flood costs each newcomer the same. */
  const idle = new Map<string, Set<Connection>>()

  function setIdle(connection: Connection, isIdle: boolean): void {
    const { group, socket } = connection
    const others = idle.get(group)
    if (isIdle && held.has(socket)) idle.set(group, (others ?? new Set()).add(connection))
    else if (others?.delete(connection) && others.size === 0) idle.delete(group)
  }

  function accept(socket: Socket): void {
    const connection: Connection = createConnection(socket, {
      requestMs,
      after,
      onIdle: (isIdle) => setIdle(connection, isIdle),
      onLate: () => events.dropped(connection, late),
      onClosed: () => held.delete(socket),
    })
    held.set(socket, connection)
    setIdle(connection, true)
    if (limits.fit !== undefined && held.size > limits.fit(held.size)) {
      makeRoom(connection, NO_MORE_FILES)
      events.crowded?.()
    } else if (held.size - waiting() > maxConnections) makeRoom(connection, ALL_TAKEN)
    else connection.awaitRequest()
  }

  /**
   * Of the connections without a request, the oldest of the client that has most of them makes room, so that no
   * flood pushes out others; when there is none, the new one.
   */
  function makeRoom(newest: Connection, reason: string): void {
    let most: ReadonlySet<Connection> = new Set()
    for (const group of idle.values()) if (group.size > most.size) most = group
    const [oldest = newest] = most
    newest.awaitRequest()
    oldest.makeRoom(() => events.dropped(oldest, reason, 503))
  }

  return {
    attach(server: Server): void {
      // Without this a client that half-closes after its request gets a truncated body and a clean close.
      ;(server as Server & { httpAllowHalfOpen: boolean }).httpAllowHalfOpen = true
      server.on('connection', accept)
      // accept(2) failed (EMFILE, ENFILE, ENOBUFS, ...). Without a listener it would end the program.
      server.on('error', (error: NodeJS.ErrnoException) => {
        if (error.syscall === 'accept') events.crowded?.()
      })
    },
    of: (socket: Socket): Connection | undefined => held.get(socket),
    /** Closes all of them at once, whatever they do. */
    destroyAll(): void {
      for (const { socket } of held.values()) socket.destroy()
    },
  }
}
