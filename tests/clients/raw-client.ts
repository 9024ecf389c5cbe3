/**
 * A client over a bare socket that does exactly what it is told: reads so many bytes and no more, half-closes,
 * resets. What it has counted itself is the ground truth that entries are held against.
 */
import { createHash } from 'node:crypto'
import { once } from 'node:events'
import { connect, type Socket } from 'node:net'
import { forgotten, QUEUES_SHOWN } from './socket-queues.ts'

export interface Head {
  readonly statusLine: string
  readonly status: number
  /** As sent, in order. */
  readonly lines: readonly string[]
  /** Length of the whole block with its last empty line. */
  readonly bytes: number
  /** Value of a field, name in lower case. */
  field(name: string): string | undefined
}

export interface RawClient {
  /** Its own port, by which entries name it. */
  readonly port: number
  readonly socket: Socket
  send(bytes: string | Buffer): void
  head(): Promise<Head>
  /** Reads until it holds at least that many bytes of the body (at most 16 KiB more), then stops reading. */
  readBody(bytes: number): Promise<void>
  /** Reads all there is; how the server ended it. */
  readToEnd(): Promise<'closed' | 'reset'>
  readonly bodyBytes: number
  bodySha256(): string
  /** All bytes that came, heads included. */
  raw(): Buffer
  body(): Buffer
  halfClose(): Promise<void>
  reset(): Promise<void>
  /** Closes as `close(2)` does: in order when everything was read, with a reset when not. */
  close(): Promise<void>
}

const DEADLINE_MS = 20_000
const READ_BYTES = 16 * 1024

export interface ClientOptions {
  readonly host?: string
  readonly localAddress?: string
  /** Keeps the bytes; else they are only counted and digested. */
  readonly keep?: boolean
}

/** Entries name a client by its port, which the system may give again: no two clients of a test file have the same. */
const portsGiven = new Set<number>()

export async function connectRaw(port: number, options: ClientOptions = {}): Promise<RawClient> {
  const { host = '127.0.0.1', localAddress, keep = false } = options
  const digest = createHash('sha256')
  const kept: Buffer[] = []
  let before = Buffer.alloc(0)
  let head: Head | undefined
  let bodyBytes = 0
  let wanted = 0
  let end: 'closed' | 'reset' | undefined
  const waiting = new Set<() => void>()
  const wake = (): void => {
    for (const each of waiting) each()
  }

  function take(bytes: Buffer): boolean {
    if (keep) kept.push(bytes)
    let body = bytes
    if (head === undefined) {
      before = Buffer.concat([before, bytes])
      head = parseHead(before)
      body = head === undefined ? Buffer.alloc(0) : before.subarray(head.bytes)
    }
    bodyBytes += body.length
    digest.update(body)
    wake()
    return head === undefined || bodyBytes < wanted
  }

  const socket = connect({
    port,
    host,
    ...(localAddress === undefined ? {} : { localAddress }),
    allowHalfOpen: true,
    noDelay: true,
    onread: {
      buffer: Buffer.alloc(READ_BYTES),
      callback: (length, buffer) => take(Buffer.from(buffer.subarray(0, length))),
    },
  })
  let ownPort = 0
  socket.on('end', () => {
    end ??= QUEUES_SHOWN && forgotten(port, ownPort) ? 'reset' : 'closed'
    wake()
  })
  socket.on('error', () => {
    end ??= 'reset'
    wake()
  })
  socket.on('close', wake)
  await once(socket, 'connect', { signal: AbortSignal.timeout(DEADLINE_MS) })
  ownPort = socket.localPort ?? 0
  if (portsGiven.has(ownPort)) {
    socket.destroy()
    return connectRaw(port, options)
  }
  portsGiven.add(ownPort)

  function until(reached: () => boolean, what: string): Promise<void> {
    if (reached()) return Promise.resolve()
    return new Promise((resolve, reject) => {
      const limit = setTimeout(() => done(new Error(`no ${what} in ${DEADLINE_MS} ms`)), DEADLINE_MS)
      const look = (): void => {
        if (reached()) done()
      }
      function done(error?: Error): void {
        clearTimeout(limit)
        waiting.delete(look)
        if (error === undefined) resolve()
        else reject(error)
      }
      waiting.add(look)
    })
  }

  return {
    port: ownPort,
    socket,
    send: (bytes) => void socket.write(bytes),
    async head() {
      socket.resume()
      await until(() => head !== undefined || end !== undefined, 'response head')
      if (head === undefined) throw new Error(`the server ended (${end}) before a head: ${before.toString()}`)
      return head
    },
    async readBody(bytes) {
      wanted = bytes
      socket.resume()
      await until(() => bodyBytes >= wanted || end !== undefined, `${bytes} bytes of body`)
      if (bodyBytes < bytes) throw new Error(`the server ended (${end}) after ${bodyBytes} bytes`)
    },
    async readToEnd() {
      wanted = Number.POSITIVE_INFINITY
      socket.resume()
      await until(() => end !== undefined, 'end')
      return end ?? 'reset'
    },
    get bodyBytes() {
      return bodyBytes
    },
    bodySha256: () => digest.copy().digest('hex'),
    raw: () => Buffer.concat(kept),
    body: () => Buffer.concat(kept).subarray(head?.bytes ?? 0),
    halfClose: () => new Promise((ended) => socket.end(ended)),
    async reset() {
      if (socket.destroyed) return
      const closed = once(socket, 'close')
      socket.resetAndDestroy()
      await closed
    },
    async close() {
      if (socket.destroyed) return
      const closed = once(socket, 'close')
      if (end === 'closed') socket.end()
      else socket.destroy()
      await closed
    },
  }
}

/** Connects and asks for a target, HTTP/1.1, with more header lines when given. */
export async function ask(
  port: number,
  target: string,
  { method = 'GET', lines = [], ...options }: ClientOptions & { method?: string; lines?: string[] } = {},
): Promise<RawClient> {
  const client = await connectRaw(port, options)
  client.send(request(target, lines, method))
  return client
}

export function request(target: string, lines: readonly string[] = [], method = 'GET'): string {
  return [`${method} ${target} HTTP/1.1`, 'Host: 127.0.0.1', ...lines, '', ''].join('\r\n')
}

/** Sends bytes as they are and returns everything that came back until the server ended the connection. */
export async function exchange(
  port: number,
  bytes: string | Buffer,
  options: ClientOptions & { halfClose?: boolean } = {},
): Promise<{ client: RawClient; raw: Buffer; end: 'closed' | 'reset' }> {
  const client = await connectRaw(port, { ...options, keep: true })
  client.send(bytes)
  if (options.halfClose === true) await client.halfClose()
  const end = await client.readToEnd()
  await client.close()
  return { client, raw: client.raw(), end }
}

/** The head at the beginning of these bytes (RFC 9112 section 2.1), when it is there whole. */
export function parseHead(bytes: Buffer): Head | undefined {
  const at = bytes.indexOf('\r\n\r\n')
  if (at < 0) return undefined
  const [statusLine = '', ...lines] = bytes.toString('latin1', 0, at).split('\r\n')
  return {
    statusLine,
    status: Number(statusLine.split(' ')[1]),
    lines,
    bytes: at + 4,
    field(name) {
      const line = lines.find((each) => each.toLowerCase().startsWith(`${name}:`))
      return line?.slice(name.length + 1).trim()
    },
  }
}
