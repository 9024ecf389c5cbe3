/**
 * A transfer's own port (RFC 1350 §4), on the very address that was asked. What does not come from its client gets
 * ERROR 5, where it comes from the client's address at all, and leaves the transfer as it is.
 */
import { createSocket, type RemoteInfo } from 'node:dgram'
import { once } from 'node:events'
import { isIPv6 } from 'node:net'
import { ERROR_CODE, writeError } from './packets.ts'

export interface Peer {
  readonly address: string
  readonly port: number
}

interface TransferPortOptions {
  /** With its zone, where it has one. */
  readonly localAddress: string
  readonly peer: Peer
  readonly onPacket: (datagram: Uint8Array) => void
  readonly onClosed: () => void
}

/** Of one transfer: so many strangers are told. */
const STRANGERS_TOLD = 8

/** Rejects with the system's error when it has no port, or no file, for us. */
export async function openTransferPort(options: TransferPortOptions) {
  const { localAddress, peer, onPacket, onClosed } = options
  const socket = createSocket(dgramOptions(localAddress))
  const strangers = new Set<number>()
  let leaving = 0
  let closing = false

  function closeWhenLeft(): void {
    if (closing && leaving === 0) socket.close()
  }

  function sendTo({ port, address }: Peer, packet: Uint8Array, done: (error?: Error | null) => void): void {
    leaving += 1
    socket.send(packet, port, address, (error) => {
      leaving -= 1
      done(error)
      closeWhenLeft()
    })
  }

  function tellStranger(from: RemoteInfo, datagram: Uint8Array): void {
    const isError = datagram[1] === 5
    if (isError || from.port === 0 || strangers.has(from.port) || strangers.size === STRANGERS_TOLD) return
    strangers.add(from.port)
    sendTo(from, writeError(ERROR_CODE.unknownTransfer, 'this transfer is not yours'), () => undefined)
  }

  const bound = once(socket, 'listening')
  socket.bind({ address: localAddress, port: 0, exclusive: true })
  await bound
  // Of a single packet; the clock and the client's silence decide about the transfer.
  socket.on('error', () => undefined)
  socket.on('close', onClosed)
  socket.on('message', (datagram, from) => {
    if (closing || from.address !== peer.address) return
    if (from.port === peer.port) onPacket(datagram)
    else tellStranger(from, datagram)
  })
  return {
    /** To the client; `done` once the system has it, or will not take it. */
    send: (packet: Uint8Array, done: (error?: Error | null) => void): void => sendTo(peer, packet, done),
    /** Once what was handed over has left. Idempotent. */
    close(): void {
      if (closing) return
      closing = true
      closeWhenLeft()
    },
  }
}

/** Addresses are never names here: nothing is looked up, and nothing waits a turn for it. */
export function dgramOptions(localAddress: string): Parameters<typeof createSocket>[0] & object {
  const family = isIPv6(localAddress) ? 6 : 4
  return {
    type: family === 6 ? 'udp6' : 'udp4',
    ipv6Only: family === 6,
    lookup: (address, _options, found) => found(null, address, family),
  }
}
