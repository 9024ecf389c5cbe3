/** Base URLs under which own addresses can be reached, given what is listened on. */
import { hostForUrl, type OwnAddress } from './addresses.ts'

/** An address as it was listened on (`0.0.0.0` and `::` stand for all of their family). */
export interface Listening {
  readonly address: string
  readonly port: number
}

export interface Base {
  readonly own: OwnAddress
  readonly port: number
  /** `http://192.0.2.10:8080`, without a slash at the end; port 80 is left out. */
  readonly url: string
}

/** In the order of the addresses, the main port first. Addresses that cannot be pasted are left out. */
export function basesOf(own: readonly OwnAddress[], listening: readonly Listening[]): readonly Base[] {
  return basesAmong(
    own.filter((address) => address.offerable),
    listening,
  )
}

/** For trying things out on this machine itself. */
export function loopbackBases(own: readonly OwnAddress[], listening: readonly Listening[]): readonly Base[] {
  return basesAmong(
    own.filter((address) => address.loopback),
    listening,
  )
}

function basesAmong(own: readonly OwnAddress[], listening: readonly Listening[]): readonly Base[] {
  return own.flatMap((address) =>
    listening
      .filter((each) => covers(each, address))
      .map(({ port }) => ({ own: address, port, url: baseUrl(address.address, port) })),
  )
}

export function baseUrl(address: string, port: number): string {
  return `http://${hostForUrl(address)}${port === 80 ? '' : `:${port}`}`
}

/** Whether what is listened on takes connections to this own address. */
export function covers(listening: Listening, own: OwnAddress): boolean {
  if (listening.address === '0.0.0.0') return own.family === 4
  if (listening.address === '::') return own.family === 6
  return listening.address === own.address
}
