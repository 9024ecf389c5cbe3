/** One request of a rehearsal: its head and the digests of its body. Of the body itself nothing is kept. */
import { createHash, type Hash } from 'node:crypto'
import { type Dispatcher, request } from 'undici'
import { systemCode } from '../errors.ts'
import { REHEARSAL_HEADER } from './head.ts'

const HEAD_OF_BODY_BYTES = 512

export interface ByteRange {
  readonly first: number
  /** Inclusive, as ranges are (RFC 9110 §14.1.2). */
  readonly last: number
}

export interface Answered {
  readonly status: number
  readonly headers: Readonly<Record<string, string | undefined>>
  readonly bytes: number
  readonly sha256: string
  /** SHA-256 of the parts that were asked for. */
  readonly parts: readonly string[]
  /** Beginning of the body, to tell a page from an image. */
  readonly start: string
  /** Why the body ended early. */
  readonly broke: string | undefined
}

/** How images are fetched. `code`: of the run that is rehearsed; undefined on its own machine, which is believed. */
export interface Way {
  readonly dispatcher: Dispatcher
  readonly code: string | undefined
}

type Failed = { readonly failed: string; readonly unreachable: boolean }

interface Reading {
  /** Parts to digest by themselves, given the stated length. */
  readonly partsOf?: (stated: number | undefined) => readonly ByteRange[]
  /** Read only an answer with this status, and not much more of it: one that ignores a range may be huge. */
  readonly only?: { readonly status: number; readonly bytes: number }
}

type Asker = (
  method: 'GET' | 'HEAD',
  headers: Readonly<Record<string, string>>,
  reading?: Reading,
) => Promise<Answered | Failed>

/** `onPiece`: in order. */
export function createAsker(url: string, { dispatcher, code }: Way, onPiece: (piece: Buffer) => void): Asker {
  return async (method, headers, { partsOf = () => [], only } = {}) => {
    const ending = new AbortController()
    let response: Dispatcher.ResponseData
    try {
      response = await request(url, {
        method,
        headers: { ...headers, [REHEARSAL_HEADER]: code ?? 'yes' },
        dispatcher,
        signal: ending.signal,
        // A connection of its own, as a device makes it.
        reset: true,
      })
    } catch (error) {
      return faultOf(error)
    }
    const whole = createHash('sha256')
    const stated = response.headers['content-length']
    const parts = partsOf(typeof stated === 'string' && /^\d+$/.test(stated) ? Number(stated) : undefined)
    const digests = parts.map((part) => ({ part, hash: createHash('sha256') }))
    const start: Buffer[] = []
    let bytes = 0
    let broke: string | undefined
    const wanted = only === undefined || response.statusCode === only.status
    const most = only?.bytes ?? Number.POSITIVE_INFINITY
    try {
      // Nothing is waited for in here: where the peer closes while a body is paused, undici (7.30, the last for Node.js
      // 20) fails an assertion that nobody can catch.
      for await (const piece of wanted ? response.body : []) {
        const buffer = piece as Buffer
        onPiece(buffer)
        whole.update(buffer)
        for (const { part, hash } of digests) take(hash, part, buffer, bytes)
        if (bytes < HEAD_OF_BODY_BYTES) start.push(buffer.subarray(0, HEAD_OF_BODY_BYTES))
        bytes += buffer.length
        if (bytes > most) break
      }
    } catch (error) {
      broke = faultOf(error).failed
    }
    response.body.on('error', () => undefined)
    ending.abort()
    return {
      status: response.statusCode,
      headers: singleValues(response.headers),
      bytes,
      sha256: whole.digest('hex'),
      parts: digests.map(({ hash }) => hash.digest('hex')),
      start: Buffer.concat(start).toString('latin1', 0, HEAD_OF_BODY_BYTES),
      broke,
    }
  }
}

/** Adds what `buffer`, which begins at offset `at` of the body, has of the part. */
function take(hash: Hash, { first, last }: ByteRange, buffer: Buffer, at: number): void {
  const from = Math.max(0, first - at)
  const to = Math.min(buffer.length, last + 1 - at)
  if (from < to) hash.update(buffer.subarray(from, to))
}

function singleValues(headers: Dispatcher.ResponseData['headers']): Record<string, string> {
  return Object.fromEntries(
    Object.entries(headers).map(([name, value]) => [
      name,
      Array.isArray(value) ? value.join(', ') : (value ?? ''),
    ]),
  )
}

const FAULTS: Readonly<Record<string, Failed>> = {
  ECONNREFUSED: { failed: 'nothing listens there', unreachable: true },
  ECONNRESET: { failed: 'the connection was reset', unreachable: false },
  EHOSTUNREACH: { failed: 'there is no way to that address', unreachable: true },
  ENETUNREACH: { failed: 'there is no way to that network', unreachable: true },
  ETIMEDOUT: { failed: 'no answer in time', unreachable: true },
  ENOTFOUND: { failed: 'no such host name', unreachable: true },
  EAI_AGAIN: { failed: 'the host name could not be looked up', unreachable: true },
  UND_ERR_CONNECT_TIMEOUT: {
    failed: 'no answer in time; a firewall may stand between',
    unreachable: true,
  },
  UND_ERR_HEADERS_TIMEOUT: { failed: 'no response in time', unreachable: false },
  UND_ERR_BODY_TIMEOUT: { failed: 'nothing more came in time', unreachable: false },
  UND_ERR_SOCKET: { failed: 'the connection was closed', unreachable: false },
}

function faultOf(error: unknown): Failed {
  const code = systemCode(error) ?? ''
  const words = error instanceof Error && error.message !== '' ? error.message : code || String(error)
  return FAULTS[code] ?? { failed: words, unreachable: false }
}
