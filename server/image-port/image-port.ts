/**
 * What devices reach: GET and HEAD of images and nothing else. A Fastify app of its own in which every target
 * leads to one route, since a target is looked up among the images and never routed. Building is apart from
 * listening: `server()` gives one more HTTP server with the same behaviour, to be listened with elsewhere.
 */
import {
  createServer,
  type IncomingMessage,
  type RequestListener,
  type Server,
  type ServerResponse,
} from 'node:http'
import type { Socket } from 'node:net'
import Fastify from 'fastify'
import type { Asked, Delivery } from '../delivery/delivery.ts'
import type { Depot } from '../depot/depot.ts'
import { textOfBytes } from '../ledger/outside-text.ts'
import { normalise } from '../network/addresses.ts'
import type { Endpoints } from '../network/connection-keys.ts'
import { type ConnectionLimits, type Connections, createConnections } from './connections.ts'
import { HTTP_FACTS } from './door-facts.ts'
import { mendLineEnds } from './line-ends.ts'
import { readRawTarget } from './raw-target.ts'
import { createHttpResponder, type HttpDoorDepot } from './responder.ts'

interface ImagePortDeps {
  readonly depot: HttpDoorDepot & Pick<Depot, 'connectionSeen'>
  readonly limits: Omit<ConnectionLimits, 'waiting' | 'after'>
  /** A fault that should not be, for the program's own log. */
  readonly onFault: (error: unknown) => void
  /** A connection could not be taken: the system lets the program open no more files. */
  readonly onCrowded?: () => void
}

export type ImagePort = Awaited<ReturnType<typeof createImagePort>>

/** Names the header by which a rehearsal says what it is, with the code; and by which it hears that it is believed. */
export const REHEARSAL_HEADER = 'fetchproof-rehearsal'

export async function createImagePort(deps: ImagePortDeps) {
  // Long: the door's wiring; Node's servers, Fastify and the connections refer to each other.
  const { depot } = deps
  const { delivery } = depot
  const waiting = (): number => delivery.underWay.waiting
  const connections = createConnections(
    { ...deps.limits, waiting, after: delivery.timer.after },
    {
      dropped: ({ endpoints }, reason, status) =>
        delivery.refuse({
          ...whoAsked(delivery, endpoints),
          status,
          reason,
        }),
      crowded: () => deps.onCrowded?.(),
    },
  )
  let handler: RequestListener = () => undefined
  const newServer = (listener: RequestListener): Server => {
    const server = createServer(
      // A device without a host name sends none; times are kept by connections.ts.
      {
        requireHostHeader: false,
        requestTimeout: 0,
        headersTimeout: 0,
        keepAliveTimeout: 5_000,
        noDelay: true,
      },
      listener,
    )
    mendLineEnds(server, (socket, bytes) => connections.of(socket)?.added(bytes))
    connections.attach(server)
    server.on('connection', ({ localAddress, remoteAddress }: Socket) =>
      depot.connectionSeen(normalise(localAddress) ?? '', normalise(remoteAddress) ?? ''),
    )
    server.on('clientError', (error: ParseError, socket: Socket) =>
      orReset(socket, () => {
        if (!answeredByHand(error, socket)) unparsed(delivery, connections, error, socket)
      }),
    )
    // Without listeners Node answers these by itself, unrecorded: 100, and 417 whatever else is wrong with it.
    server.on('checkContinue', listener)
    server.on('checkExpectation', listener)
    server.on('connect', (request: IncomingMessage, socket: Socket) =>
      orReset(socket, () => unparsedMethod(depot, connections, request, socket)),
    )
    return server
  }
  const app = Fastify({
    logger: false,
    rewriteUrl: () => '/',
    serverFactory: (listener) => {
      handler = (request, response) => {
        // Fastify's router answers methods that it does not know by itself, with a page and unrecorded.
        if (request.method === 'GET' || request.method === 'HEAD') listener(request, response)
        else answerOrReset(request, response, request.url ?? '')
      }
      return newServer(handler)
    },
  })
  const responder = createHttpResponder(depot)
  let probe: { readonly path: string; readonly proof: string } | undefined

  app.addHook('onRequest', async (request, reply) => {
    reply.hijack()
    answerOrReset(request.raw, reply.raw, request.originalUrl)
  })
  app.all('/', () => undefined)
  app.setNotFoundHandler(() => undefined)
  await app.ready()

  /** What one client sent shall harm its own connection at most: an error in a listener would end the program. */
  function orReset(socket: Socket, listener: () => void): void {
    try {
      listener()
    } catch (error) {
      deps.onFault(error)
      socket.resetAndDestroy()
    }
  }

  /** A target that only lacks its escaping is answered like any other. */
  function answeredByHand(error: ParseError, socket: Socket): boolean {
    const connection = connections.of(socket)
    if (connection === undefined || connection.busy || error.rawPacket === undefined) return false
    // A later packet of a request could be read as a request of its own.
    if (error.rawPacket.length !== connection.unansweredBytes) return false
    const read = readRawTarget(error.rawPacket, socket)
    if (read === undefined) return false
    answerOrReset(read.request, read.response, read.request.url ?? '')
    return true
  }

  function answerOrReset(request: IncomingMessage, response: ServerResponse, target: string): void {
    respond(request, response, target).catch((error: unknown) => {
      deps.onFault(error)
      request.socket.resetAndDestroy()
    })
  }

  async function respond(request: IncomingMessage, response: ServerResponse, target: string): Promise<void> {
    const connection = connections.of(request.socket)
    // Gone before its request was looked at: there is nobody to answer and nothing to record but the address.
    if (connection === undefined) return
    const asked = askedOf(depot, request, connection.endpoints, target)
    if (connection.busy) {
      request.resume()
      if (connection.pipelined())
        delivery.refuse({ ...asked, reason: 'pipelined behind another request: one request a connection' })
      return
    }
    connection.requested(request)
    if (probe !== undefined && asked.target === `/${probe.path}`)
      return responder.probed(response, probe.proof)
    await responder.respond({ asked, target, request, response, connection })
  }

  return {
    app,
    /** One more server with the same behaviour; the caller listens and closes. */
    server: (): Server => newServer(handler),
    /** While set, `GET /PATH` is answered with the proof as its tag, unrecorded: shows that an address is ours. */
    expectProbe(expected: { readonly path: string; readonly proof: string } | undefined): void {
      probe = expected
    },
    connections,
  }
}

type ParseError = Error & { code?: string; rawPacket?: Buffer }

/** What could not be parsed is recorded with its raw first line. */
function unparsed(delivery: Delivery, connections: Connections, error: ParseError, socket: Socket): void {
  const connection = connections.of(socket)
  // A lost connection arrives here too; connections.ts has told it to whom it concerns.
  if (connection === undefined || error.rawPacket === undefined) return
  const firstLine = textOfBytes(firstLineOf(error.rawPacket))
  const who = whoAsked(delivery, connection.endpoints)
  if (connection.busy) {
    if (connection.pipelined())
      delivery.refuse({
        ...who,
        reason: 'bytes behind a request that cannot be parsed',
        firstLine,
      })
    return
  }
  connection.requested()
  const tooLarge = error.code === 'HPE_HEADER_OVERFLOW'
  const status = tooLarge ? 431 : 400
  const reason = tooLarge
    ? 'the request header is too large'
    : `the request cannot be parsed (${error.code ?? error.message})`
  delivery.refuse({ ...who, status, reason, firstLine })
  const phrase = tooLarge ? 'Request Header Fields Too Large' : 'Bad Request'
  socket.end(`HTTP/1.1 ${status} ${phrase}\r\nContent-Length: 0\r\nConnection: close\r\n\r\n`)
  connection.refused()
}

/** CONNECT never reaches the app: Node hands over the bare socket. */
function unparsedMethod(
  depot: HttpDoorDepot,
  connections: Connections,
  request: IncomingMessage,
  socket: Socket,
): void {
  const connection = connections.of(socket)
  if (connection === undefined) return
  const asked = askedOf(depot, request, connection.endpoints, request.url ?? '')
  depot.delivery.refuse({ ...asked, status: 405, reason: `${asked.method} is not answered here` })
  socket.end(
    'HTTP/1.1 405 Method Not Allowed\r\nAllow: GET, HEAD\r\nContent-Length: 0\r\nConnection: close\r\n\r\n',
  )
  connection.refused()
}

function firstLineOf(packet: Buffer): Buffer {
  const end = packet.indexOf(0x0a)
  const line = packet.subarray(0, Math.min(end === -1 ? packet.length : end, 1024))
  return line.at(-1) === 0x0d ? line.subarray(0, -1) : line
}

function whoAsked(
  delivery: Delivery,
  endpoints: Endpoints,
): Pick<Asked, 'door' | 'client' | 'localAddress' | 'localPort'> {
  const address = normalise(endpoints.remoteAddress) ?? ''
  return {
    door: HTTP_FACTS.name,
    client: delivery.clientAt(address, endpoints.remotePort),
    localAddress: normalise(endpoints.localAddress) ?? '',
    localPort: endpoints.localPort,
  }
}

function askedOf(
  { delivery, rehearsals }: HttpDoorDepot,
  request: IncomingMessage,
  endpoints: Endpoints,
  target: string,
): Asked {
  const { headers } = request
  const who = whoAsked(delivery, endpoints)
  const said = headers[REHEARSAL_HEADER]
  const ifRange = headers['if-range']
  return {
    ...who,
    method: request.method ?? '',
    target: fromWire(target),
    httpVersion: request.httpVersion,
    ...(headers['user-agent'] !== undefined && { userAgent: fromWire(headers['user-agent']) }),
    ...(headers.range !== undefined && { range: fromWire(headers.range) }),
    ...(typeof ifRange === 'string' && { ifRange: fromWire(ifRange) }),
    ...(typeof said === 'string' && rehearsals.believes(who, fromWire(said)) && { rehearsal: true }),
  }
}

/** Node gives header bytes as latin1; kept as UTF-8 where they are, escaped where not. */
function fromWire(value: string): string {
  return textOfBytes(Buffer.from(value, 'latin1'))
}
