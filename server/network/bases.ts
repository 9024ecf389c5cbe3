/** Base URLs under which own addresses can be reached, given what is listened on. */
import { hostForUrl, type OwnAddress } from './addresses.ts'

/** What a door says of itself, so that nobody else needs to know its protocol. */
export interface DoorFacts {
  /** In entries, and in front of its URLs. */
  readonly name: string
  /** Left out of URLs. */
  readonly usualPort: number
  readonly transport: 'tcp' | 'udp'
  /** What a firewall has to know beyond the port. */
  readonly firewallNote?: string
  /** Forms of its line to paste, the usual one first; fields as in `--paste`. */
  readonly lines: (port: number) => readonly string[]
}

/** An address as it was listened on (`0.0.0.0` and `::` stand for all of their family). */
export interface Listening {
  readonly address: string
  readonly port: number
  readonly door: DoorFacts
}

export interface Base {
  readonly own: OwnAddress
  readonly port: number
  readonly door: DoorFacts
  /** `http://192.0.2.10:8080`, without a slash at the end. */
  readonly url: string
}

/** In the order of the addresses, the main port first; `loopback`: for trying things out on this machine itself. */
export function basesOf(
  own: readonly OwnAddress[],
  listening: readonly Listening[],
  which: 'offerable' | 'loopback' = 'offerable',
): readonly Base[] {
  return own
    .filter((address) => address[which])
    .flatMap((address) =>
      listening
        .filter((each) => covers(each, address))
        .map(({ port, door }) => {
          const authority = `${hostForUrl(address.address)}${port === door.usualPort ? '' : `:${port}`}`
          return { own: address, port, door, url: `${door.name}://${authority}` }
        }),
    )
}

/** Whether what is listened on takes connections to this own address. */
export function covers(listening: Pick<Listening, 'address'>, own: OwnAddress): boolean {
  if (listening.address === '0.0.0.0') return own.family === 4
  if (listening.address === '::') return own.family === 6
  return listening.address === own.address
}
