/**
 * A server that came back proves that it knows the token before it is told it: another program may have taken its
 * port. HMAC-SHA-256 (RFC 2104, FIPS 198-1) over the port and the asker's nonce, with the token as key. The port is
 * in it, so that whoever listens on the old port cannot pass the question on to the real server on another one.
 */
import { createHmac, timingSafeEqual } from 'node:crypto'
import { proofText } from './token-proof-text.ts'

/** Lower-case hex. `port`: that which the asker has connected to. */
export function proofOf(token: string, port: number, nonce: string): string {
  return createHmac('sha256', token).update(proofText(port, nonce)).digest('hex')
}

export function isProof(given: unknown, token: string, port: number, nonce: string): boolean {
  const expected = Buffer.from(proofOf(token, port, nonce))
  const said = Buffer.from(typeof given === 'string' ? given : '')
  return said.length === expected.length && timingSafeEqual(said, expected)
}
