/** How the kernel's tables of connections write the two ends of one. */
import type { Socket } from 'node:net'
import { endianness } from 'node:os'
import ipaddr from 'ipaddr.js'
import { normalise } from './addresses.ts'

/** Seen from here. Addresses in any form that `normalise` takes. */
export interface Endpoints {
  readonly localAddress: string
  readonly localPort: number
  readonly remoteAddress: string
  readonly remotePort: number
}

export function endpointsOf(socket: Socket): Endpoints {
  const { localAddress = '', localPort = 0, remoteAddress = '', remotePort = 0 } = socket
  return { localAddress, localPort, remoteAddress, remotePort }
}

const LITTLE_ENDIAN = endianness() === 'LE'
/** ::ffff:0:0/96 as the kernel prints it. */
const MAPPED = `0000000000000000${LITTLE_ENDIAN ? 'FFFF0000' : '0000FFFF'}`

/** A connection's texts: an IPv4 one stands in tcp, or mapped in tcp6 when the listener was an IPv6 one. */
export function keysOf({ localAddress, localPort, remoteAddress, remotePort }: Endpoints): string[] {
  const local = hexAddress(localAddress)
  const remote = hexAddress(remoteAddress)
  if (local === undefined || remote === undefined) return []
  const key = (before: string): string =>
    `${before}${local}:${hexPort(localPort)} ${before}${remote}:${hexPort(remotePort)}`
  return local.length === 8 && remote.length === 8 ? [key(''), key(MAPPED)] : [key('')]
}

/**
 * The kernel prints each 32 bits of an address as one number in the machine's own byte order. IPv4 is taken
 * apart here, since parsing it in general took longer than reading the table (1,000 questions at once).
 */
function hexAddress(text: string): string | undefined {
  const address = normalise(text)
  if (address === undefined) return undefined
  const octets = address.includes(':') ? ipaddr.parse(address).toByteArray() : address.split('.').map(Number)
  const bytes = Buffer.from(octets)
  if (LITTLE_ENDIAN) bytes.swap32()
  return bytes.toString('hex').toUpperCase()
}

function hexPort(port: number): string {
  return port.toString(16).toUpperCase().padStart(4, '0')
}
