/** Digest algorithms as the standards write them. */

/** `sha256` becomes `SHA-256`. */
export function algorithmText(algorithm: string): string {
  return algorithm
    .toUpperCase()
    .replace(/^SHA(\d)/, 'SHA-$1')
    .replace(/^CRC(\d)/, 'CRC-$1')
}

/** Against forgery SHA-2 alone guards (RFC 6151 §2, RFC 6194 §3; a CRC was never meant to). */
export function guardsAccidentOnly(algorithm: string): boolean {
  return !/^sha(224|256|384|512)$/.test(algorithm)
}
