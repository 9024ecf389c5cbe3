/**
 * The connections that devices have open: what the client's side did, how long a request may take to come, and
 * how many may be open. Here stands the lingering close: Node closes a connection by itself as soon as its
 * response has left (`destroySoon`); replaced by an end of stream alone, the client's side stays readable and
 * its close is seen. Not documented for this, hence the self-test at start.
 */
import type { IncomingMessage, Server } from 'node:http'
import type { Socket } from 'node:net'
import { clientGroup } from '../network/addresses.ts'
import type { Endpoints } from '../network/connection-keys.ts'

export interface Connection {
  readonly socket: Socket
  readonly endpoints: Endpoints
  /** A request is being answered, or its body was promised: nothing more is taken from this connection. */
  readonly busy: boolean
  /** Bytes that came since the last response without a body left, or since the connection was made. */
  readonly unansweredBytes: number
  /** The parser gets so many bytes more than came. */
  added(bytes: number): void
  /** Tells what the client does; what it did before is told at once. */
  watch(listener: { closed(): void; lost(why: string): void }): void
  /** A response without an image's bytes is on its way: who does not take it within the time for a request is dropped. */
  answering(): void
  /** A response without a body has left: the next request may come, within the time for a request. */
  answered(): void
  /** The last answer of this connection has left: what comes behind it is not read. */
  answeredLast(): void
  /**
   * A refusal has left and the client still sends: nothing more is read. Closed a moment later, since a close with unread
   * bytes resets the connection, and the client may not have read the answer by then.
   */
  refused(): void
  /** The head of a request has come; none where it could not be parsed. */
  requested(request?: IncomingMessage): void
  /**
   * Something else came behind it: the connection ends with the answer, since Node never lets a third request past the
   * second. Whether that is to be recorded: once, and not where it is the rest of what the request itself announced.
   */
  pipelined(): boolean
}

export interface ConnectionLimits {
  readonly requestMs: number
  /** Connections that are not waiting for their client to close after a whole body. */
  readonly maxConnections: number
  /** How many fit at all, those that wait included; `held` are open now. Absent: endless. */
  readonly fit?: (held: number) => number
  /** How many connections wait for their client to close; they count against no limit. */
  readonly waiting: () => number
  /** Calls once when so many ms have passed in which this program ran; returns how to give it up. */
  readonly after: (ms: number, act: () => void) => () => void
}

interface ConnectionsEvents {
  /** No complete request came in time, or all connections were taken. */
  readonly dropped: (connection: Connection, reason: string, status?: 503) => void
  /** A connection was dropped because the system lets the program open no more files, or could not be taken. */
  readonly crowded?: () => void
}

export type Connections = ReturnType<typeof createConnections>

const COME_LATER =
  'HTTP/1.1 503 Service Unavailable\r\nRetry-After: 5\r\nContent-Length: 0\r\nConnection: close\r\n\r\n'

interface Held extends Connection {
  /** No request is being answered: it may have to make room. */
  idle: boolean
  /** Ends with the answer that is under way; nothing more is taken. */
  last: boolean
  /** Its last answer has left. */
  closing: boolean
  request: IncomingMessage | undefined
  /** Whose it is, as the limits count clients. */
  readonly group: string
  answeredAtBytes: number
  stopDeadline: (() => void) | undefined
  clientClosed: boolean
  lostBecause: string | undefined
  listener: { closed(): void; lost(why: string): void } | undefined
}

/** For a client to read why it was refused. */
const REFUSED_MS = 1_000
/** With its request and behind it, while it is answered. */
const BEHIND_BYTES = 256 * 1024
const ALL_TAKEN = 'all connections were taken'
const NO_MORE_FILES = 'the system lets the program open no more files'

export function createConnections(limits: ConnectionLimits, events: ConnectionsEvents) {
  // Long: all connections share two indexes, which each of its functions keeps.
  const held = new Map<Socket, Held>()
  /** Those that are not busy, the oldest of each client first; kept, so that a flood costs each newcomer the same. */
  const idle = new Map<string, Set<Held>>()

  function setIdle(connection: Held, isIdle: boolean): void {
    connection.idle = isIdle
    const { group } = connection
    const others = idle.get(group)
    if (isIdle && held.has(connection.socket)) {
      if (others === undefined) idle.set(group, new Set([connection]))
      else others.add(connection)
    } else if (others?.delete(connection) && others.size === 0) idle.delete(group)
  }

  function accept(socket: Socket): void {
    const connection = hold(socket)
    held.set(socket, connection)
    setIdle(connection, true)
    socket.destroySoon = () => socket.end()
    socket.on('end', () => {
      connection.clientClosed = true
      connection.listener?.closed()
      if (!connection.busy) socket.end()
    })
    socket.on('error', (error: NodeJS.ErrnoException) => lose(connection, error.code ?? error.message))
    socket.on('close', () => {
      held.delete(socket)
      setIdle(connection, false)
      connection.stopDeadline?.()
      if (!connection.clientClosed) lose(connection, 'the connection was closed without an end of stream')
    })
    if (limits.fit !== undefined && held.size > limits.fit(held.size)) {
      makeRoom(connection, NO_MORE_FILES)
      events.crowded?.()
    } else if (held.size - limits.waiting() > limits.maxConnections) makeRoom(connection, ALL_TAKEN)
    else armDeadline(connection)
  }

  function hold(socket: Socket): Held {
    // Long: a list of what may happen to one connection.
    const connection: Held = {
      socket,
      endpoints: {
        localAddress: socket.localAddress ?? '',
        localPort: socket.localPort ?? 0,
        remoteAddress: socket.remoteAddress ?? '',
        remotePort: socket.remotePort ?? 0,
      },
      group: clientGroup(socket.remoteAddress ?? ''),
      idle: true,
      get busy() {
        return !this.idle || this.closing
      },
      last: false,
      closing: false,
      request: undefined,
      answeredAtBytes: 0,
      get unansweredBytes() {
        return socket.bytesRead - this.answeredAtBytes
      },
      stopDeadline: undefined,
      clientClosed: false,
      lostBecause: undefined,
      listener: undefined,
      added(bytes) {
        this.answeredAtBytes -= bytes
      },
      watch(listener) {
        this.listener = listener
        if (this.lostBecause !== undefined) listener.lost(this.lostBecause)
        else if (this.clientClosed) listener.closed()
      },
      answering: () => armDeadline(connection),
      answered() {
        setIdle(connection, !this.last)
        this.answeredAtBytes = socket.bytesRead
        armDeadline(this)
        if (this.clientClosed || this.last) socket.end()
      },
      answeredLast() {
        connection.closing = true
        this.answered()
      },
      refused() {
        setIdle(connection, false)
        // Who listens for this must read by itself, and does not: `pause` is undone by whoever resumes.
        socket.on('readable', () => undefined)
        this.stopDeadline?.()
        this.stopDeadline = limits.after(REFUSED_MS, () => socket.destroy())
      },
      requested(request) {
        if (this.request === undefined) socket.on('data', () => boundBehind(this))
        this.request = request
        this.stopDeadline?.()
        setIdle(connection, false)
      },
      pipelined() {
        const isNew = !this.last && !connection.closing && this.request?.complete !== false
        this.last = true
        if (connection.closing) this.refused()
        return isNew
      },
    }
    return connection
  }

  /** Its close can only be seen while it is read: who sends on and on meanwhile is let go. */
  function boundBehind(connection: Held): void {
    if (!connection.busy || connection.unansweredBytes <= BEHIND_BYTES) return
    // First: with an end of stream under way the system refuses a reset, and Node keeps the connection then.
    connection.socket.resetAndDestroy()
    lose(connection, 'the client sent on and on behind its request')
  }

  function lose(connection: Held, why: string): void {
    if (connection.lostBecause !== undefined) return
    connection.lostBecause = why
    connection.listener?.lost(why)
  }

  function armDeadline(connection: Held): void {
    connection.stopDeadline?.()
    connection.stopDeadline = limits.after(limits.requestMs, () => {
      if (connection.socket.bytesWritten === 0) {
        const seconds = Math.round(limits.requestMs / 1000)
        events.dropped(connection, `no complete request came within ${seconds} s`)
      }
      connection.socket.destroy()
    })
  }

  /**
   * Of the connections without a request, the oldest of the client that has most of them makes room, so that no
   * flood pushes out others; when there is none, the new one.
   */
  function makeRoom(newest: Held, reason: string): void {
    let most: ReadonlySet<Held> = new Set()
    for (const group of idle.values()) if (group.size > most.size) most = group
    const [oldest] = most
    const victim = oldest ?? newest
    const { socket } = victim
    // What had its answer and asked nothing since is closed without another one, and nothing was refused.
    const asks = !victim.closing && (socket.bytesWritten === 0 || victim.unansweredBytes > 0)
    if (asks) events.dropped(victim, reason, 503)
    armDeadline(newest)
    setIdle(victim, false)
    // A request that was on its way is answered by this: it stands behind no other one.
    victim.closing = true
    // One that left earlier answers unread would not take this one either.
    if (!asks || socket.writableLength > 0) socket.destroy()
    else socket.end(COME_LATER, () => socket.destroy())
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
    get open(): number {
      return held.size
    },
    /** Closes all of them at once, whatever they do. */
    destroyAll(): void {
      for (const { socket } of held.values()) socket.destroy()
    },
  }
}
