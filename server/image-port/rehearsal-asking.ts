/** One request of a rehearsal: its head and the digests of its body. Of the body itself nothing is kept. */
import { createHash, type Hash } from 'node:crypto'
import { type Dispatcher, request } from 'undici'
import { systemCode } from '../errors.ts'
import { REHEARSAL_HEADER } from './image-port.ts'

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
type Asker = (
  method: 'GET' | 'HEAD',
  headers: Readonly<Record<string, string>>,
  /** Parts to digest by themselves, given the stated length. */
  partsOf?: (stated: number | undefined) => readonly ByteRange[],
  /** Read only an answer that is this part: one that ignores the range may be huge. */
  only?: ByteRange,
) => Promise<Answered | Failed>

export function createAsker(url: string, { dispatcher, code }: Way, onBytes: (bytes: number) => void): Asker {
  return async (method, headers, partsOf = () => [], only) => {
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
      return { failed: networkFaultWords(error), unreachable: isUnreachable(error) }
    }
    const whole = createHash('sha256')
    const stated = response.headers['content-length']
    const parts = partsOf(typeof stated === 'string' && /^\d+$/.test(stated) ? Number(stated) : undefined)
    const digests = parts.map((part) => ({ part, hash: createHash('sha256') }))
    const start: Buffer[] = []
    let bytes = 0
    let broke: string | undefined
    const wanted = only === undefined || response.statusCode === 206
    const most = only === undefined ? Number.POSITIVE_INFINITY : only.last - only.first + 1
    try {
      // Nothing is waited for in here: where the peer closes while a body is paused, undici (7.30, the last for Node.js
      // 20) fails an assertion that nobody can catch.
      for await (const piece of wanted ? response.body : []) {
        const buffer = piece as Buffer
        onBytes(buffer.length)
        whole.update(buffer)
        for (const { part, hash } of digests) take(hash, part, buffer, bytes)
        if (bytes < HEAD_OF_BODY_BYTES) start.push(buffer.subarray(0, HEAD_OF_BODY_BYTES))
        bytes += buffer.length
        if (bytes > most) break
      }
    } catch (error) {
      broke = networkFaultWords(error)
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

const WORDS: Readonly<Record<string, string>> = {
  ECONNREFUSED: 'nothing listens there',
  ECONNRESET: 'the connection was reset',
  EHOSTUNREACH: 'there is no way to that address',
  ENETUNREACH: 'there is no way to that network',
  ETIMEDOUT: 'no answer in time',
  ENOTFOUND: 'no such host name',
  EAI_AGAIN: 'the host name could not be looked up',
  UND_ERR_CONNECT_TIMEOUT: 'no answer in time; a firewall may stand between',
  UND_ERR_HEADERS_TIMEOUT: 'no response in time',
  UND_ERR_BODY_TIMEOUT: 'nothing more came in time',
  UND_ERR_SOCKET: 'the connection was closed',
}
const UNREACHABLE: ReadonlySet<string> = new Set([
  'ECONNREFUSED',
  'EHOSTUNREACH',
  'ENETUNREACH',
  'ETIMEDOUT',
  'ENOTFOUND',
  'EAI_AGAIN',
  'UND_ERR_CONNECT_TIMEOUT',
])

function isUnreachable(error: unknown): boolean {
  return UNREACHABLE.has(systemCode(error) ?? '')
}

export function networkFaultWords(error: unknown): string {
  const code = systemCode(error) ?? ''
  const words = WORDS[code]
  if (words !== undefined) return words
  return error instanceof Error && error.message !== '' ? error.message : code || String(error)
}
