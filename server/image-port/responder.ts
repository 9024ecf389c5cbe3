/** From an answer to bytes on the connection, each recorded before it is sent. */
import type { IncomingMessage, ServerResponse } from 'node:http'
import type { Asked } from '../delivery/delivery.ts'
import { denialOf } from '../depot/admission.ts'
import type { Depot } from '../depot/depot.ts'
import { checksumFile, checksumList } from '../depot/served-checksums.ts'
import { isFetchproofError } from '../errors.ts'
import type { ReadyImage } from '../staging/image.ts'
import { type Answer, answer, type Refusal, refusalOf } from './answer.ts'
import type { Connection } from './connection.ts'
import {
  CLOSE,
  contentRange,
  type HeadFields,
  imageFields,
  lengthField,
  REASONS,
  type Status,
} from './head.ts'
import { wireOf } from './wire.ts'

/** What this door asks of the depot. */
export type HttpDoorDepot = Pick<Depot, 'admission' | 'delivery' | 'rehearsals'>

interface Exchange {
  readonly asked: Asked
  readonly request: IncomingMessage
  readonly response: ServerResponse
  readonly connection: Connection
}

export function createHttpResponder({ admission, delivery }: HttpDoorDepot) {
  // Long: one function for each kind of answer, all over one depot.
  function decide({ asked, request }: Exchange): Answer {
    return answer({
      method: request.method ?? '',
      httpVersion: request.httpVersion,
      admitted: admission.admit(asked, request.url ?? ''),
      headers: request.headers,
      denyPart: (image, part) => admission.denyPart(asked, image, part),
    })
  }

  async function sendBody(exchange: Exchange, answered: Extract<Answer, { kind: 'body' }>): Promise<void> {
    const { asked, response, connection } = exchange
    const { image, kind: _, ...plan } = answered
    const { status, first, promised } = plan
    // What a client sends with its request is dropped; read all the same, since its close stands behind it.
    exchange.request.resume()
    const begun = await delivery.begin(asked, image, plan)
    const range = status === 206 ? contentRange(first, first + promised - 1, image.version.bytes) : []
    const { socket } = connection
    // Head and first piece leave together where the piece is at hand, and the head alone where it is not.
    socket.cork()
    if (!socket.destroyed) {
      writeHead(response, status, [...lengthField(promised), ...imageFields(image), ...range, ...CLOSE])
      response.flushHeaders()
    }
    begun.start(wireOf(connection))
    socket.uncork()
  }

  function sendHeaders(exchange: Exchange, image: ReadyImage, status: 200 | 304): void {
    delivery.recordHeadersOnly(exchange.asked, image, status)
    const length = status === 304 ? [] : lengthField(image.version.bytes)
    sendWhole(exchange, status, [...length, ...imageFields(image)], exchange.connection.answered)
  }

  function sendText(exchange: Exchange, text: string, image?: ReadyImage): void {
    delivery.recordHeadersOnly(exchange.asked, image, 200)
    // Here, since with the list of checksums a rehearsal begins.
    sendShort(exchange, 200, text, exchange.asked.rehearsal === true ? BELIEVED : [])
  }

  function sendShort(exchange: Exchange, status: Status, text: string, fields: HeadFields = []): void {
    const body = Buffer.from(text)
    const type = body.length === 0 ? [] : ['Content-Type', 'text/plain; charset=utf-8']
    const head = [...lengthField(body.length), ...type, ...fields, ...CLOSE]
    const sent = exchange.asked.method === 'HEAD' ? undefined : body
    sendWhole(exchange, status, head, exchange.connection.answeredLast, sent)
  }

  /** An answer without an image's bytes. */
  function sendWhole(
    { request, response, connection }: Exchange,
    status: Status,
    fields: HeadFields,
    onLeft: () => void,
    body?: Buffer,
  ): void {
    // Or Node reads all of it once the answer has left; held up as soon as its buffer is full.
    if (!request.complete) request.read(0)
    writeHead(response, status, fields)
    connection.awaitRequest()
    response.end(body, () => (request.complete ? onLeft() : connection.refused()))
  }

  /** Without a body but where that helps: what an error page says would otherwise be stored as firmware. */
  function refuse(exchange: Exchange, refusal: Refusal): void {
    const { asked } = exchange
    const { status, denial, reason, hint, fields, image, versionChanged, text = '' } = refusal
    delivery.refuse({ ...asked, status, denial, reason, hint, image, versionChanged })
    sendShort(exchange, status, text, fields)
  }

  async function send(exchange: Exchange, answered: Answer): Promise<void> {
    switch (answered.kind) {
      case 'body':
        return sendBody(exchange, answered)
      case 'headers':
        return sendHeaders(exchange, answered.image, answered.status)
      case 'checksum':
        return sendText(exchange, checksumFile(answered.image), answered.image)
      case 'list':
        return sendText(exchange, checksumList(answered.images))
      case 'refusal':
        return refuse(exchange, answered)
    }
  }

  return {
    async respond(exchange: Exchange): Promise<void> {
      try {
        await send(exchange, decide(exchange)).catch((error: unknown) => {
          // Held or replaced while its file was being opened: the answer is the one to what it is now.
          if (!isFetchproofError(error, 'FP_IMAGE_NOT_READY')) throw error
          return send(exchange, decide(exchange))
        })
      } catch (error) {
        const denied = denialOf(error)
        if (denied === undefined || exchange.response.headersSent) throw error
        refuse(exchange, refusalOf(denied))
      }
    },
    probed(response: ServerResponse, proof: string): void {
      writeHead(response, 200, [...lengthField(0), 'ETag', `"${proof}"`, ...CLOSE])
      response.end()
    },
  }
}

const BELIEVED: HeadFields = ['Fetchproof-Rehearsal', 'yes']

function writeHead(response: ServerResponse, status: Status, fields: HeadFields): void {
  response.writeHead(status, REASONS[status], [...fields])
}
