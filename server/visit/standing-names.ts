/** The standings of planned devices, and which are done or open; what leads a device to one is in `standing.ts`. */

/** Strongest evidence first. */
export const STANDINGS = [
  /** The device itself printed the digest of the planned version. */
  'confirmed',
  /** A complete pull of the version that is on offer last under that name, and is not held now. */
  'pulled',
  'unconfirmed',
  'pulling',
  'refused',
  /** The latest that is known of it speaks against what is planned. */
  'contradicted',
  'rolled back',
  'wrong image',
  'waiting',
  /** After the visit: nothing came from it. */
  'not seen',
  /** No image stands on its row: there is nothing to stand for, so that it is neither done nor open. */
  'nothing planned',
] as const
export type Standing = (typeof STANDINGS)[number]

export function isDone(standing: Standing): boolean {
  return standing === 'confirmed' || standing === 'pulled'
}

/** A person has to see to it before the visit is complete. */
export function isOpen(standing: Standing): boolean {
  return !isDone(standing) && standing !== 'nothing planned'
}
