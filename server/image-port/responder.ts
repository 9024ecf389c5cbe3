/** From an answer to bytes on the connection, each recorded before it is sent. */
import type { IncomingMessage, ServerResponse } from 'node:http'
import { type Asked, type Delivery, referenceOf } from '../delivery/delivery.ts'
import type { VersionMemory } from '../delivery/version-memory.ts'
import type { Admission } from '../depot/allow-list.ts'
import { type ErrorCode, FetchproofError, isFetchproofError } from '../errors.ts'
import type { Found, Image, ReadyImage } from '../staging/image.ts'
import { type Answer, answer, isReady, type Refusal } from './answer.ts'
import { checksumFile, checksumList } from './checksum-files.ts'
import type { Connection } from './connections.ts'
import {
  CLOSE,
  contentRange,
  type HeadFields,
  imageFields,
  lengthField,
  REASONS,
  RETRY_SOON,
  type Status,
} from './head.ts'
import { wireOf } from './wire.ts'

export interface ResponderDeps {
  readonly find: (target: string) => Found
  readonly images: () => readonly Image[]
  readonly delivery: Delivery
  readonly versionBegunBy: VersionMemory['begunBy']
  readonly admit: (clientAddress: string, localAddress: string) => Admission
  /** Why this client may not have this image although it may fetch; undefined when it may. */
  readonly refusal?: (
    asked: Asked,
    image: ReadyImage,
  ) => { readonly why: string; readonly hint: string } | undefined
  readonly writable: () => boolean
  /** Whether `/SHA256SUMS` is offered. */
  readonly list: boolean
}

export interface Exchange {
  readonly asked: Asked
  /** As it came on the wire, each byte a character. */
  readonly target: string
  readonly request: IncomingMessage
  readonly response: ServerResponse
  readonly connection: Connection
  readonly stopping: boolean
}

export interface Responder {
  respond(exchange: Exchange): Promise<void>
  probed(response: ServerResponse, proof: string): void
}

/** Coded errors that a request can meet, as status. All others are faults of ours: the connection is reset. */
const STATUS_OF_ERROR: Partial<Record<ErrorCode, Status>> = {
  FP_BUSY: 503,
  FP_IMAGE_CHANGED: 503,
  FP_IMAGE_UNREADABLE: 503,
  FP_IMAGE_NOT_READY: 503,
  FP_LEDGER_FULL: 503,
  FP_LEDGER_UNWRITABLE: 503,
  FP_LEDGER_CLOSED: 503,
}

export function createResponder(deps: ResponderDeps): Responder {
  const { delivery } = deps

  function decide({ asked, target, request, stopping }: Exchange): Answer {
    const admission = deps.admit(asked.client.address, asked.localAddress)
    if (!admission.allowed) {
      return {
        kind: 'refusal',
        status: 403,
        reason: admission.why,
        ...(admission.hint !== '' && { hint: admission.hint }),
      }
    }
    if (stopping) return unavailable('the server is being stopped')
    if (!deps.writable())
      return unavailable('the ledger cannot be written: without a record nothing is served')
    return onlyAdmitted(
      asked,
      answer({
        method: asked.method,
        found: deps.find(target),
        headers: request.headers,
        versionBegun: (name) => deps.versionBegunBy(asked.client, name),
        listOffered: deps.list,
      }),
    )
  }

  function onlyAdmitted(asked: Asked, answered: Answer): Answer {
    if (answered.kind !== 'body' && answered.kind !== 'headers') return answered
    const refused = deps.refusal?.(asked, answered.image)
    if (refused === undefined) return answered
    const { why, hint } = refused
    return { kind: 'refusal', status: 403, reason: why, hint, image: answered.image }
  }

  async function sendBody(exchange: Exchange, answered: Extract<Answer, { kind: 'body' }>): Promise<void> {
    const { asked, response, connection } = exchange
    const { image, status, first, promised, versionChanged } = answered
    const begun = await delivery.begin(asked, image, { status, first, promised, versionChanged })
    const range = status === 206 ? contentRange(first, first + promised - 1, image.version.bytes) : []
    if (!connection.socket.destroyed) {
      writeHead(response, status, [...lengthField(promised), ...imageFields(image), ...range, ...CLOSE])
      response.flushHeaders()
    }
    begun.start(wireOf(connection))
  }

  function sendHeaders(
    { asked, response, connection }: Exchange,
    image: ReadyImage,
    status: 200 | 304,
  ): void {
    delivery.recordHeadersOnly(asked, image, status)
    const length = status === 304 ? [] : lengthField(image.version.bytes)
    writeHead(response, status, [...length, ...imageFields(image)])
    connection.answering()
    response.end(() => connection.answered())
  }

  function sendText({ asked, response, connection }: Exchange, text: string, image?: ReadyImage): void {
    delivery.recordHeadersOnly(asked, image, 200)
    const body = Buffer.from(text)
    writeHead(response, 200, [
      ...lengthField(body.length),
      'Content-Type',
      'text/plain; charset=utf-8',
      ...CLOSE,
    ])
    connection.answering()
    response.end(asked.method === 'HEAD' ? undefined : body, () => connection.answered())
  }

  /** Without a body: what an error page says would otherwise be stored as firmware. */
  function refuse({ asked, response, connection }: Exchange, refusal: Refusal): void {
    const { status, reason, hint, fields, image } = refusal
    delivery.refuse({
      ...asked,
      status,
      reason,
      ...(hint !== undefined && { hint }),
      ...(image !== undefined && { image: referenceOf(image) }),
    })
    writeHead(response, status, [...lengthField(0), ...(fields ?? []), ...CLOSE])
    connection.answering()
    response.end(() => connection.answered())
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
        return sendText(exchange, checksumList(deps.images().filter(isReady)))
      case 'refusal':
        return refuse(exchange, answered)
    }
  }

  return {
    async respond(exchange) {
      try {
        await send(exchange, decide(exchange)).catch((error: unknown) => {
          // Held or replaced while its file was being opened: the answer is the one to what it is now.
          if (!isFetchproofError(error, 'FP_IMAGE_NOT_READY')) throw error
          return send(exchange, decide(exchange))
        })
      } catch (error) {
        const status = error instanceof FetchproofError ? STATUS_OF_ERROR[error.code] : undefined
        if (status === undefined || exchange.response.headersSent) throw error
        const reason = error instanceof Error ? error.message : String(error)
        refuse(exchange, { kind: 'refusal', status, reason, fields: RETRY_SOON })
      }
    },
    probed(response, proof) {
      writeHead(response, 200, [...lengthField(0), 'ETag', `"${proof}"`, ...CLOSE])
      response.end()
    },
  }
}

function unavailable(reason: string): Refusal {
  return { kind: 'refusal', status: 503, reason, fields: RETRY_SOON }
}

function writeHead(response: ServerResponse, status: Status, fields: HeadFields): void {
  response.writeHead(status, REASONS[status], [...fields])
}
