/**
 * One connection of a simulated device: nothing is read before it is asked for, so that a device can stop reading
 * for good and the rest stays in its system, unread. Answers are taken apart as RFC 9112 has them (§2.1, §6.3), as
 * far as a device needs.
 */
import { once } from 'node:events'
import { connect } from 'node:net'

/** How the other side ended. */
export type End = 'end of stream' | 'lost'

export interface Answer {
  readonly status: number
  /** By name in lower case. */
  readonly fields: ReadonlyMap<string, string>
  /** Bytes of body that follow this head. */
  readonly bodyBytes: number
}

export interface DeviceConnection {
  /** The device's own port, by which entries name the connection. */
  readonly port: number
  send(text: string): void
  /** Head of the next answer, to a request with this method. */
  head(method: string): Promise<Answer | End>
  /** The next bytes of the body, at most this many. */
  body(atMost: number): Promise<Buffer | End>
  /** What came with the last reading and was not taken yet: it is in the device's hands, wanted or not. */
  inHand(): Buffer
  /** Reads on after the last body until the server ends. */
  untilEnd(): Promise<End>
  halfClose(): Promise<void>
  /** A reset goes out, whatever is unread. */
  reset(): void
  /** As close(2): in order when all was read, with a reset when not. */
  close(): void
}

export class NotReached extends Error {}

const DEADLINE_MS = 60_000

/** Throws NotReached when nobody listens. */
export async function openConnection(options: {
  readonly port: number
  readonly localAddress: string
  readonly readBytes: number
}): Promise<DeviceConnection> {
  let left: Buffer = Buffer.alloc(0)
  let fresh: Buffer | undefined
  let end: End | undefined
  let wake: (() => void) | undefined
  const socket = connect({
    port: options.port,
    host: '127.0.0.1',
    localAddress: options.localAddress,
    allowHalfOpen: true,
    noDelay: true,
    onread: {
      buffer: Buffer.allocUnsafe(options.readBytes),
      callback(length, buffer) {
        fresh = Buffer.from(buffer.buffer, buffer.byteOffset, length)
        wake?.()
        return false
      },
    },
  })
  socket.pause()
  socket.on('end', () => {
    end ??= 'end of stream'
    wake?.()
  })
  socket.on('error', () => {
    end ??= 'lost'
    wake?.()
  })
  socket.on('close', () => {
    end ??= 'lost'
    wake?.()
  })
  try {
    await once(socket, 'connect', { signal: AbortSignal.timeout(DEADLINE_MS) })
  } catch (error) {
    socket.destroy()
    throw new NotReached('no connection', { cause: error })
  }
  const port = socket.localPort ?? 0

  /** What comes next from the system; nothing is lost between calls. */
  async function next(): Promise<Buffer | End> {
    if (fresh === undefined && end === undefined) {
      await new Promise<void>((woken, failed) => {
        const limit = setTimeout(() => failed(new Error('the server was silent for too long')), DEADLINE_MS)
        wake = () => {
          clearTimeout(limit)
          wake = undefined
          woken()
        }
        socket.resume()
      })
    }
    const taken = fresh
    fresh = undefined
    return taken ?? end ?? 'lost'
  }

  return {
    port,
    send: (text) => void socket.write(text),
    async head(method) {
      for (;;) {
        const at = left.indexOf('\r\n\r\n')
        if (at >= 0) {
          const answer = parse(left.toString('latin1', 0, at), method)
          left = left.subarray(at + 4)
          return answer
        }
        const more = await next()
        if (typeof more === 'string') return more
        left = Buffer.concat([left, more])
      }
    },
    async body(atMost) {
      const bytes = left.length > 0 ? left : await next()
      if (typeof bytes === 'string') return bytes
      left = bytes.subarray(atMost)
      return bytes.subarray(0, atMost)
    },
    inHand() {
      const taken = left
      left = Buffer.alloc(0)
      return taken
    },
    async untilEnd() {
      for (;;) {
        const more = await next()
        if (typeof more === 'string') return more
      }
    },
    halfClose: () =>
      new Promise((gone) => {
        if (socket.destroyed) gone()
        else socket.end(() => gone())
      }),
    reset() {
      if (!socket.destroyed) socket.resetAndDestroy()
    },
    close() {
      socket.destroy()
    },
  }
}

function parse(text: string, method: string): Answer {
  const [statusLine = '', ...lines] = text.split('\r\n')
  const status = Number(/^HTTP\/1\.[01] (\d{3}) ./.exec(statusLine)?.[1])
  if (Number.isNaN(status)) throw new Error(`not a status line: ${JSON.stringify(statusLine)}`)
  const fields = new Map<string, string>()
  for (const line of lines) {
    const colon = line.indexOf(':')
    fields.set(line.slice(0, colon).toLowerCase(), line.slice(colon + 1).trim())
  }
  const length = Number(fields.get('content-length') ?? 0)
  return { status, fields, bodyBytes: method === 'HEAD' || status === 304 ? 0 : length }
}
