/**
 * One connection that a device has open: what the client's side did, and how long a request may take to come. Here stands
 * the lingering close: Node closes a connection by itself as soon as its response has left (`destroySoon`); replaced by
 * an end of stream alone, the client's side stays readable and its close is seen. Not documented for this, hence the
 * self-test at start.
 */
import type { IncomingMessage } from 'node:http'
import type { Socket } from 'node:net'
import type { SleepAwareTimer } from '../delivery/sleep-aware-timer.ts'
import { clientGroup } from '../network/addresses.ts'
import { endpointsOf } from '../network/connection-keys.ts'
import { bareAnswer, RETRY_SOON } from './head.ts'

export interface ConnectionLimits {
  readonly requestMs: number
  /** Connections that are not waiting for their client to close after a whole body. */
  readonly maxConnections: number
  /** How many fit at all, those that wait included; `held` are open now. Absent: endless. */
  readonly fit?: (held: number) => number
  /** How many connections wait for their client to close; they count against no limit. */
  readonly waiting: () => number
  /** Calls once when so many ms have passed in which this program ran; returns how to give it up. */
  readonly after: SleepAwareTimer['after']
}

export type Connection = ReturnType<typeof createConnection>

interface ConnectionDeps extends Pick<ConnectionLimits, 'requestMs' | 'after'> {
  /** Idle: no request is being answered, and it may have to make room. */
  readonly onIdle: (isIdle: boolean) => void
  /** No complete request came in time. */
  readonly onLate: () => void
  readonly onClosed: () => void
}

/** For a client to read why it was refused. */
const REFUSED_MS = 1_000
/** With its request and behind it, while it is answered. */
const BEHIND_BYTES = 256 * 1024
const COME_LATER = bareAnswer(503, RETRY_SOON)

export function createConnection(socket: Socket, deps: ConnectionDeps) {
  // Long: a list of what may happen to one connection.
  let idle = true
  /** Ends with the answer that is under way; nothing more is taken. */
  let last = false
  /** Its last answer has left. */
  let closing = false
  let request: IncomingMessage | undefined
  let answeredAtBytes = 0
  let stopDeadline: (() => void) | undefined
  let clientClosed = false
  let lostBecause: string | undefined
  let listener: { closed(): void; lost(why: string): void } | undefined

  function setIdle(isIdle: boolean): void {
    idle = isIdle
    deps.onIdle(isIdle)
  }

  function within(ms: number, act: () => void): void {
    stopDeadline?.()
    stopDeadline = deps.after(ms, act)
  }

  function awaitRequest(): void {
    within(deps.requestMs, () => {
      if (socket.bytesWritten === 0) deps.onLate()
      socket.destroy()
    })
  }

  function lose(why: string): void {
    if (lostBecause !== undefined) return
    lostBecause = why
    listener?.lost(why)
  }

  /** Its close can only be seen while it is read: who sends on and on meanwhile is let go. */
  function boundBehind(): void {
    if (!connection.busy || connection.unansweredBytes <= BEHIND_BYTES) return
    // First: with an end of stream under way the system refuses a reset, and Node keeps the connection then.
    socket.resetAndDestroy()
    lose('the client sent on and on behind its request')
  }

  function answered(): void {
    setIdle(!last)
    answeredAtBytes = socket.bytesRead
    awaitRequest()
    if (clientClosed || last) socket.end()
  }

  function refused(): void {
    setIdle(false)
    // Who listens for this must read by itself, and does not: `pause` is undone by whoever resumes.
    socket.on('readable', () => undefined)
    within(REFUSED_MS, () => socket.destroy())
  }

  socket.destroySoon = () => socket.end()
  socket.on('end', () => {
    clientClosed = true
    listener?.closed()
    if (!connection.busy) socket.end()
  })
  socket.on('error', (error: NodeJS.ErrnoException) => lose(error.code ?? error.message))
  socket.on('close', () => {
    deps.onClosed()
    setIdle(false)
    stopDeadline?.()
    if (!clientClosed) lose('the connection was closed without an end of stream')
  })

  const connection = {
    socket,
    endpoints: endpointsOf(socket),
    /** Whose it is, as the limits count clients. */
    group: clientGroup(socket.remoteAddress ?? ''),
    /** A request is being answered, or its body was promised: nothing more is taken from this connection. */
    get busy(): boolean {
      return !idle || closing
    },
    /** Bytes that came since the last response without a body left, or since the connection was made. */
    get unansweredBytes(): number {
      return socket.bytesRead - answeredAtBytes
    },
    /** The parser gets so many bytes more than came. */
    added(bytes: number): void {
      answeredAtBytes -= bytes
    },
    /** Tells what the client does; what it did before is told at once. */
    watch(told: { closed(): void; lost(why: string): void }): void {
      listener = told
      if (lostBecause !== undefined) told.lost(lostBecause)
      else if (clientClosed) told.closed()
    },
    /** A request is waited for; or a response is on its way, and who does not take it within that time is dropped. */
    awaitRequest,
    /** A response without a body has left: the next request may come, within the time for a request. */
    answered,
    /** The last answer of this connection has left: what comes behind it is not read. */
    answeredLast(): void {
      closing = true
      answered()
    },
    /**
     * A refusal has left and the client still sends: nothing more is read. Closed a moment later, since a close with
     * unread bytes resets the connection, and the client may not have read the answer by then.
     */
    refused,
    /** The head of a request has come; none where it could not be parsed. */
    requested(one?: IncomingMessage): void {
      if (request === undefined) socket.on('data', boundBehind)
      request = one
      stopDeadline?.()
      setIdle(false)
    },
    /**
     * Something else came behind it: the connection ends with the answer, since Node never lets a third request past the
     * second. Whether that is to be recorded: once, and not where it is the rest of what the request itself announced.
     */
    pipelined(): boolean {
      const isNew = !last && !closing && request?.complete !== false
      last = true
      if (closing) refused()
      return isNew
    },
    /** It is closed for another. A request that was on its way is refused by this, and stands behind no other one. */
    makeRoom(onRefused: () => void): void {
      // What had its answer and asked nothing since is closed without another one, and nothing was refused.
      const asks = !closing && (socket.bytesWritten === 0 || connection.unansweredBytes > 0)
      if (asks) onRefused()
      setIdle(false)
      closing = true
      // One that left earlier answers unread would not take this one either.
      if (!asks || socket.writableLength > 0) socket.destroy()
      else socket.end(COME_LATER, () => socket.destroy())
    },
  }
  return connection
}
