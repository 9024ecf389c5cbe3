/**
 * Who may ask. The server listens on loopback, but any page in the engineer's browser can send requests there:
 * - Host must be a loopback name with our port, so that no name that was re-pointed at 127.0.0.1 reads anything
 *   (DNS rebinding);
 * - a request that a browser marks as another page's is refused (Origin, RFC 6454 §7; Sec-Fetch-Site, W3C Fetch
 *   Metadata);
 * - a change needs the token of the run as bearer token (RFC 6750 §2.1), compared in constant time.
 */
import { createHash, timingSafeEqual } from 'node:crypto'
import type { FastifyRequest } from 'fastify'
import { FetchproofError } from '../errors.ts'

const LOOPBACK_NAMES: ReadonlySet<string> = new Set(['localhost', '127.0.0.1', '[::1]'])
const OWN_SITES: ReadonlySet<string> = new Set(['same-origin', 'none'])

/** Headers of every answer: nothing from outside runs, frames or keeps what the page shows. */
export const SAFETY_HEADERS = Object.freeze({
  'content-security-policy': [
    "default-src 'none'",
    "script-src 'self'",
    "style-src 'self'",
    "connect-src 'self'",
    "img-src 'self'",
    "base-uri 'none'",
    "form-action 'none'",
    "frame-ancestors 'none'",
    "require-trusted-types-for 'script'",
  ].join('; '),
  'x-content-type-options': 'nosniff',
  'referrer-policy': 'no-referrer',
  'cross-origin-resource-policy': 'same-origin',
  'cross-origin-opener-policy': 'same-origin',
  'x-frame-options': 'DENY',
})

/** Throws FP_PAGE_HOST. */
export function checkHost(request: FastifyRequest): void {
  const hosts = request.raw.rawHeaders.filter((name, at) => at % 2 === 0 && name.toLowerCase() === 'host')
  // Node takes the first of several; the standard takes none of them (RFC 9112 §3.2).
  if (hosts.length > 1) throw new FetchproofError('FP_PAGE_HOST', { host: 'several names' })
  const host = request.headers.host ?? ''
  // Injected requests have no socket of their own; HTTP's own port stands for theirs (RFC 9110 §4.2.1).
  const port = request.socket.localPort ?? 80
  const split = /^(\[[^\]]*\]|[^:]*)(?::(\d+))?$/.exec(host.toLowerCase())
  const named = split !== null && LOOPBACK_NAMES.has(split[1] ?? '') && Number(split[2] ?? 80) === port
  if (!named) throw new FetchproofError('FP_PAGE_HOST', { host: host === '' ? 'no name at all' : host })
}

/** Refuses what a browser sends for another page. Call after `checkHost`. Throws FP_PAGE_ORIGIN. */
export function checkOrigin(request: FastifyRequest): void {
  const { origin, host } = request.headers
  const site = request.headers['sec-fetch-site']
  const foreignOrigin = origin !== undefined && origin.toLowerCase() !== `http://${host?.toLowerCase()}`
  const foreignSite = site !== undefined && !OWN_SITES.has(String(site))
  if (foreignOrigin || foreignSite) {
    throw new FetchproofError('FP_PAGE_ORIGIN', { origin: origin ?? String(site) })
  }
}

/** A check of the bearer token. Throws FP_PAGE_TOKEN. */
export function createTokenCheck(token: string): (request: FastifyRequest) => void {
  const expected = digestOf(token)
  return (request) => {
    const given = /^Bearer (.+)$/i.exec(request.headers.authorization ?? '')?.[1]
    if (given === undefined || !timingSafeEqual(digestOf(given), expected)) {
      throw new FetchproofError('FP_PAGE_TOKEN')
    }
  }
}

/** Of one length whatever was sent, so that comparing tells nothing of the length either. */
function digestOf(text: string): Buffer {
  return createHash('sha256').update(text).digest()
}
