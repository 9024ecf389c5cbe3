/**
 * Shows at start that this Node.js still does what the lingering close rests on, since it is documented for none
 * of it: a client that half-closes after its request gets every byte, and after our end of stream the client's
 * own close is still seen. Loopback only; takes a few milliseconds.
 */
import { createServer } from 'node:http'
import { type AddressInfo, connect } from 'node:net'
import { createConnections } from './connections.ts'
import { wireOf } from './wire.ts'

const BODY_BYTES = 256 * 1024
const DEADLINE_MS = 3_000

/** Undefined when all is well, else what was seen, in words. */
export async function testLingeringClose(): Promise<string | undefined> {
  const connections = createConnections(
    { requestMs: DEADLINE_MS, maxConnections: 2, waiting: () => 0, after },
    { dropped: () => undefined },
  )
  let closeSeen: (() => void) | undefined
  const closed = new Promise<void>((seen) => {
    closeSeen = seen
  })
  const server = createServer((request, response) => {
    const connection = connections.of(request.socket)
    if (connection === undefined) return
    connection.requested()
    response.writeHead(200, ['Content-Length', String(BODY_BYTES), 'Connection', 'close'])
    response.flushHeaders()
    wireOf(connection).end(Buffer.alloc(BODY_BYTES), () =>
      connection.watch({ closed: () => closeSeen?.(), lost: () => undefined }),
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
    connections.destroyAll()
    server.close()
  }
}

function after(ms: number, act: () => void): () => void {
  const timer = setTimeout(act, ms)
  return () => clearTimeout(timer)
}

/** Bytes of the body that arrived before the end of the stream. */
function bodyBytes(port: number, halfClose: boolean): Promise<number> {
  return new Promise((counted) => {
    const socket = connect({ port, host: '127.0.0.1', allowHalfOpen: true })
    const chunks: Buffer[] = []
    const request = 'GET / HTTP/1.0\r\n\r\n'
    if (halfClose) socket.end(request)
    else socket.write(request)
    socket.on('data', (chunk: Buffer) => chunks.push(chunk))
    socket.on('error', () => counted(-1))
    socket.on('end', () => {
      socket.end()
      const all = Buffer.concat(chunks)
      counted(all.length - (all.indexOf('\r\n\r\n') + 4))
    })
  })
}
