/**
 * Shows at start that this Node.js still does what the lingering close rests on, since it is documented for none
 * of it: a client that half-closes after its request gets every byte, and after our end of stream the client's
 * own close is still seen. Loopback only; takes a few milliseconds.
 */
import { createServer } from 'node:http'
import { type AddressInfo, connect } from 'node:net'
import { buffer } from 'node:stream/consumers'
import { createSleepAwareTimer } from '../delivery/sleep-aware-timer.ts'
import { createConnections } from './connections.ts'
import { wireOf } from './wire.ts'

const BODY_BYTES = 256 * 1024
const DEADLINE_MS = 3_000

/** Undefined when all is well, else what was seen, in words. */
export async function testLingeringClose(): Promise<string | undefined> {
  const timer = createSleepAwareTimer(() => performance.now())
  const connections = createConnections(
    { requestMs: DEADLINE_MS, maxConnections: 2, waiting: () => 0, after: timer.after },
    { dropped: () => undefined },
  )
  /** The close of the client that came last was seen. */
  let closed = Promise.resolve()
  const server = createServer((request, response) => {
    const connection = connections.of(request.socket)
    if (connection === undefined) return
    connection.requested()
    response.writeHead(200, ['Content-Length', String(BODY_BYTES), 'Connection', 'close'])
    response.flushHeaders()
    closed = new Promise((seen) =>
      wireOf(connection).end(Buffer.alloc(BODY_BYTES), () =>
        connection.watch({ closed: seen, lost: () => undefined }),
      ),
    )
  })
  connections.attach(server)
  await new Promise<void>((listening) => server.listen(0, '127.0.0.1', listening))
  const { port } = server.address() as AddressInfo
  try {
    const late = new Promise<'late'>((late) => setTimeout(late, DEADLINE_MS, 'late').unref())
    const halfClosed = await Promise.race([bodyBytes(port, true), late])
    if (halfClosed !== BODY_BYTES) return 'a client that half-closed after its request did not get every byte'
    const whole = await Promise.race([bodyBytes(port, false), late])
    if (whole !== BODY_BYTES) return 'a client did not get every byte'
    if ((await Promise.race([closed, late])) === 'late') return "the client's close was not seen"
    return undefined
  } finally {
    timer.close()
    connections.destroyAll()
    server.close()
  }
}

/** Bytes of the body that arrived before the end of the stream; the client closes after it. */
async function bodyBytes(port: number, halfClose: boolean): Promise<number> {
  const socket = connect({ port, host: '127.0.0.1', allowHalfOpen: true })
  const request = 'GET / HTTP/1.0\r\n\r\n'
  if (halfClose) socket.end(request)
  else socket.write(request)
  const answer = await buffer(socket).catch(() => Buffer.alloc(0))
  return answer.length - (answer.indexOf('\r\n\r\n') + 4)
}
