/**
 * Who is believed to rehearse: this machine itself, and who knows the code of this run. Any device could say that it
 * does, and its pulls would vanish from the plan. It grants the mark on record and nothing else.
 */
import { randomInt } from 'node:crypto'
import type { Asked } from '../delivery/delivery.ts'
import type { OwnAddress } from '../network/addresses.ts'

type Who = Pick<Asked, 'client' | 'localAddress'>

/** None that look like another one. */
const LETTERS = 'abcdefghjkmnpqrstuvwxyz23456789'
const LENGTH = 8

export function createRehearsals(own: () => readonly OwnAddress[]) {
  const code = Array.from({ length: LENGTH }, () => LETTERS[randomInt(LETTERS.length)]).join('')
  return {
    /** Typed on another laptop: eight letters and digits in two groups. */
    code: `${code.slice(0, LENGTH / 2)}-${code.slice(LENGTH / 2)}`,
    /** `said`: the code, or whatever a client gives as one. */
    believes: (who: Who, said: string): boolean =>
      isThisMachine(who, own()) || said.toLowerCase().replace(/[\s-]/g, '') === code,
  }
}

/** Loopback addresses other than the one that answers are devices which somebody simulates. */
export function isThisMachine({ client, localAddress }: Who, own: readonly OwnAddress[]): boolean {
  return own.some(
    ({ address, loopback }) => address === client.address && (!loopback || address === localAddress),
  )
}
