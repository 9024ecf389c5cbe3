/**
 * The digests that makers publish: their names, lengths and worth. MD5, SHA-1 and CRC-32 guard against accident, not
 * against forgery (RFC 6151 §2, RFC 6194 §3; a CRC was never meant to).
 */

/** Strongest first: the order in which they are compared. */
export const ALGORITHMS = ['sha512', 'sha384', 'sha256', 'sha224', 'sha1', 'md5', 'crc32'] as const
export type Algorithm = (typeof ALGORITHMS)[number]

/** Labels as people write them. Digits: FIPS 180-4 §1 (SHA family), RFC 1321 (MD5). */
export const ALGORITHM_FACTS = {
  sha512: { label: 'SHA-512', digits: 128, guards: 'forgery' },
  sha384: { label: 'SHA-384', digits: 96, guards: 'forgery' },
  sha256: { label: 'SHA-256', digits: 64, guards: 'forgery' },
  sha224: { label: 'SHA-224', digits: 56, guards: 'forgery' },
  sha1: { label: 'SHA-1', digits: 40, guards: 'accident' },
  md5: { label: 'MD5', digits: 32, guards: 'accident' },
  crc32: { label: 'CRC-32', digits: 8, guards: 'accident' },
} as const satisfies Record<Algorithm, { label: string; digits: number; guards: 'forgery' | 'accident' }>

export function isAlgorithm(text: string): text is Algorithm {
  return Object.hasOwn(ALGORITHM_FACTS, text)
}

/** The algorithm whose digest has this many hex digits, or undefined. */
export function algorithmOfDigits(digits: number): Algorithm | undefined {
  return ALGORITHMS.find((algorithm) => ALGORITHM_FACTS[algorithm].digits === digits)
}

/** `sha256` becomes `SHA-256`. */
export function algorithmText(algorithm: string): string {
  return ALGORITHM_FACTS[algorithm as Algorithm]?.label ?? algorithm.toUpperCase()
}

export function guardsAccidentOnly(algorithm: string): boolean {
  return ALGORITHM_FACTS[algorithm as Algorithm]?.guards !== 'forgery'
}
