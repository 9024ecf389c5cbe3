/**
 * Response heads as small clients need them: names in canonical letter case (one client looks for exactly
 * `Content-Length: `), the length always, never chunked, compressed or redirected, the whole block under 1 KiB.
 * Written as raw name-value lists, since Node keeps their letter case.
 */
import type { ReadyImage } from '../staging/image.ts'
import { etagOf } from './conditions.ts'

/** Names the header by which a rehearsal says what it is, with the code; and by which it hears that it is believed. */
export const REHEARSAL_HEADER = 'fetchproof-rehearsal'

export type HeadFields = readonly string[]

export const REASONS = {
  200: 'OK',
  206: 'Partial Content',
  304: 'Not Modified',
  400: 'Bad Request',
  403: 'Forbidden',
  404: 'Not Found',
  405: 'Method Not Allowed',
  408: 'Request Timeout',
  409: 'Conflict',
  412: 'Precondition Failed',
  416: 'Range Not Satisfiable',
  431: 'Request Header Fields Too Large',
  500: 'Internal Server Error',
  501: 'Not Implemented',
  503: 'Service Unavailable',
  505: 'HTTP Version Not Supported',
} as const

export type Status = keyof typeof REASONS

/** Fields that GET and HEAD of an image share. Repr-Digest: RFC 9530 §3; Digest: its predecessor, RFC 3230. */
export function imageFields(image: ReadyImage): HeadFields {
  const digest = Buffer.from(image.version.sha256, 'hex').toString('base64')
  return [
    'Content-Type',
    'application/octet-stream',
    'Accept-Ranges',
    'bytes',
    'ETag',
    etagOf(image),
    'Last-Modified',
    new Date(image.modifiedMs).toUTCString(),
    'Repr-Digest',
    `sha-256=:${digest}:`,
    'Digest',
    `SHA-256=${digest}`,
    'Cache-Control',
    'no-transform',
  ]
}

export function lengthField(bytes: number): HeadFields {
  return ['Content-Length', String(bytes)]
}

export function contentRange(first: number, last: number, bytes: number): HeadFields {
  return ['Content-Range', `bytes ${first}-${last}/${bytes}`]
}

export function unsatisfiedRange(bytes: number): HeadFields {
  return ['Content-Range', `bytes */${bytes}`]
}

/** A whole answer, for a socket without a response of Node's. */
export function bareAnswer(status: Status, fields: HeadFields = []): string {
  const all = [...fields, ...lengthField(0), ...CLOSE]
  const lines = all.flatMap((name, at) => (at % 2 === 0 ? `${name}: ${all[at + 1]}` : []))
  return [`HTTP/1.1 ${status} ${REASONS[status]}`, ...lines, '', ''].join('\r\n')
}

export const CLOSE: HeadFields = ['Connection', 'close']
export const RETRY_SOON: HeadFields = ['Retry-After', '5']
export const ALLOW: HeadFields = ['Allow', 'GET, HEAD']
