/**
 * What devices reach: GET and HEAD of images and nothing else. A target is looked up among the images and never routed.
 * Building is apart from listening: `server()` gives one more HTTP server with the same behaviour, to be listened with
 * elsewhere.
 */
import { createServer, type IncomingMessage, type Server, type ServerResponse } from 'node:http'
import type { Socket } from 'node:net'
import type { Asked, Delivery } from '../delivery/delivery.ts'
import type { Depot } from '../depot/depot.ts'
import { textOfBytes } from '../ledger/outside-text.ts'
import { normalise } from '../network/addresses.ts'
import type { Endpoints } from '../network/connection-keys.ts'
import type { Connection, ConnectionLimits } from './connection.ts'
import { createConnections } from './connections.ts'
import { HTTP_DOOR } from './door.ts'
import { ALLOW, bareAnswer, REHEARSAL_HEADER } from './head.ts'
import { mendLineEnds, readRawTarget } from './lenient-parsing.ts'
import { createHttpResponder, type HttpDoorDepot } from './responder.ts'

interface ImagePortDeps {
  readonly depot: HttpDoorDepot & Pick<Depot, 'connectionSeen'>
  readonly limits: Omit<ConnectionLimits, 'waiting' | 'after'>
  /** A fault that should not be, for the program's own log. */
  readonly onFault: (error: unknown) => void
  /** A connection could not be taken: the system lets the program open no more files. */
  readonly onCrowded?: () => void
}

export type ImagePort = ReturnType<typeof createImagePort>

/** A device without a host name sends none; times are kept by connections.ts. */
const SERVER = {
  requireHostHeader: false,
  requestTimeout: 0,
  headersTimeout: 0,
  keepAliveTimeout: 5_000,
  noDelay: true,
} as const

export function createImagePort({ depot, limits, onFault, onCrowded = () => undefined }: ImagePortDeps) {
  // Long: the door's wiring; Node's servers and the connections refer to each other.
  const { delivery } = depot
  const connections = createConnections(
    { ...limits, waiting: () => delivery.underWay.waiting, after: delivery.timer.after },
    {
      dropped: ({ endpoints }, reason, status) =>
        delivery.refuse({ ...whoAsked(delivery, endpoints), status, reason }),
      crowded: onCrowded,
    },
  )
  const responder = createHttpResponder(depot)
  let probe: { readonly path: string; readonly proof: string } | undefined

  /** What one client sent shall harm its own connection at most: an error in a listener would end the program. */
  function orReset(socket: Socket, listener: () => void): void {
    try {
      listener()
    } catch (error) {
      onFault(error)
      socket.resetAndDestroy()
    }
  }

  function answer(request: IncomingMessage, response: ServerResponse): void {
    respond(request, response).catch((error: unknown) => {
      onFault(error)
      request.socket.resetAndDestroy()
    })
  }

  async function respond(request: IncomingMessage, response: ServerResponse): Promise<void> {
    const connection = connections.of(request.socket)
    // Gone before its request was looked at: there is nobody to answer and nothing to record but the address.
    if (connection === undefined) return
    const asked = askedOf(depot, request, connection.endpoints)
    if (connection.busy) {
      request.resume()
      if (connection.pipelined())
        delivery.refuse({ ...asked, reason: 'pipelined behind another request: one request a connection' })
      return
    }
    connection.requested(request)
    if (probe !== undefined && asked.target === `/${probe.path}`)
      return responder.probed(response, probe.proof)
    await responder.respond({ asked, request, response, connection })
  }

  function parseFailed(error: ParseError, socket: Socket): void {
    const connection = connections.of(socket)
    // A lost connection arrives here too; connections.ts has told it to whom it concerns.
    if (connection === undefined || error.rawPacket === undefined) return
    const readByHand = lenientlyRead(connection, error.rawPacket)
    if (readByHand !== undefined) answer(readByHand.request, readByHand.response)
    else unparsed(connection, error, error.rawPacket)
  }

  /** What could not be parsed is recorded with its raw first line. */
  function unparsed(connection: Connection, { code, message }: ParseError, packet: Buffer): void {
    const firstLine = textOfBytes(firstLineOf(packet))
    const refused = { ...whoAsked(delivery, connection.endpoints), firstLine }
    if (connection.busy) {
      if (connection.pipelined())
        delivery.refuse({ ...refused, reason: 'bytes behind a request that cannot be parsed' })
      return
    }
    connection.requested()
    const tooLarge = code === 'HPE_HEADER_OVERFLOW'
    const status = tooLarge ? 431 : 400
    const reason = tooLarge
      ? 'the request header is too large'
      : `the request cannot be parsed (${code ?? message})`
    delivery.refuse({ ...refused, status, reason })
    connection.socket.end(bareAnswer(status))
    connection.refused()
  }

  /** CONNECT: Node hands over the bare socket. */
  function connectAsked(request: IncomingMessage, socket: Socket): void {
    const connection = connections.of(socket)
    if (connection === undefined) return
    const asked = askedOf(depot, request, connection.endpoints)
    delivery.refuse({ ...asked, status: 405, reason: `${asked.method} is not answered here` })
    socket.end(bareAnswer(405, ALLOW))
    connection.refused()
  }

  return {
    /** One more server with the same behaviour; the caller listens and closes. */
    server(): Server {
      const server = createServer(SERVER, answer)
      mendLineEnds(server, (socket, bytes) => connections.of(socket)?.added(bytes))
      connections.attach(server)
      server.on('connection', ({ localAddress, remoteAddress }: Socket) =>
        depot.connectionSeen(normalise(localAddress) ?? '', normalise(remoteAddress) ?? ''),
      )
      server.on('clientError', (error: ParseError, socket: Socket) =>
        orReset(socket, () => parseFailed(error, socket)),
      )
      // Without listeners Node answers these by itself, unrecorded: 100, and 417 whatever else is wrong with it.
      server.on('checkContinue', answer)
      server.on('checkExpectation', answer)
      server.on('connect', (request: IncomingMessage, socket: Socket) =>
        orReset(socket, () => connectAsked(request, socket)),
      )
      return server
    },
    /** While set, `GET /PATH` is answered with the proof as its tag, unrecorded: shows that an address is ours. */
    expectProbe(expected: { readonly path: string; readonly proof: string } | undefined): void {
      probe = expected
    },
    connections,
  }
}

type ParseError = Error & { code?: string; rawPacket?: Buffer }

/** A target that only lacks its escaping is answered like any other. */
function lenientlyRead({ socket, busy, unansweredBytes }: Connection, packet: Buffer) {
  // A later packet of a request could be read as a request of its own.
  return busy || packet.length !== unansweredBytes ? undefined : readRawTarget(packet, socket)
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
    door: HTTP_DOOR.name,
    client: delivery.clientAt(address, endpoints.remotePort),
    localAddress: normalise(endpoints.localAddress) ?? '',
    localPort: endpoints.localPort,
  }
}

function askedOf(
  { delivery, rehearsals }: HttpDoorDepot,
  request: IncomingMessage,
  endpoints: Endpoints,
): Asked {
  const { headers } = request
  const who = whoAsked(delivery, endpoints)
  const said = headers[REHEARSAL_HEADER]
  const ifRange = headers['if-range']
  return {
    ...who,
    method: request.method ?? '',
    target: fromWire(request.url ?? ''),
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
