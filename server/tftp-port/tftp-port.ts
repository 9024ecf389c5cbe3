/**
 * What devices reach by TFTP: read requests of images and nothing else. A datagram does not say where it was sent to, so
 * there is a socket for each own address; building them is apart from binding them. Each transfer has a port of its own.
 */
import { createSocket, type RemoteInfo, type Socket } from 'node:dgram'
import type { Asked } from '../delivery/delivery.ts'
import type { Depot } from '../depot/depot.ts'
import { textOfBytes } from '../ledger/outside-text.ts'
import { normalise } from '../network/addresses.ts'
import { TFTP_DOOR } from './door.ts'
import { REHEARSAL_OPTION } from './options.ts'
import { parsePacket, writeError } from './packets.ts'
import { createRepeats } from './repeats.ts'
import { createTftpResponder, type ReadRequest, type TftpDoorDepot } from './responder.ts'
import { dgramOptions } from './transfer-port.ts'

interface TftpPortDeps {
  readonly depot: TftpDoorDepot & Pick<Depot, 'connectionSeen'>
  /** A fault that should not be, for the program's own log. */
  readonly onFault: (error: unknown) => void
  /** A transfer could not be begun: the system lets the program open no more files. */
  readonly onCrowded?: () => void
}

/** Of a datagram that is no request, as much stands on record. */
const SHOWN_BYTES = 40

export function createTftpPort({ depot, onFault, onCrowded = () => undefined }: TftpPortDeps) {
  const repeats = createRepeats(() => performance.now())
  const responder = createTftpResponder(depot, onCrowded)

  function received(socket: Socket, address: string, datagram: Buffer, from: RemoteInfo): void {
    // Nobody can be answered there.
    if (from.port === 0) return
    const who = whoAsked(depot, socket, from)
    depot.connectionSeen(who.localAddress, who.client.address)
    const answer = (code: number, text: string): void =>
      socket.send(writeError(code, text), from.port, from.address, () => undefined)
    const packet = parsePacket(datagram)
    if (packet.kind === 'error') return
    if (packet.kind !== 'request') {
      responder.refuseOther({ asked: who, answer }, packet, textOfBytes(datagram.subarray(0, SHOWN_BYTES)))
      return
    }
    const key = `${from.address} ${from.port}`
    const answering = repeats.take(key, datagram.toString('latin1'))
    if (answering === undefined) return
    const asked = askedOf(depot, who, packet)
    const request = { asked, packet, localAddress: address, peer: from, answer, answering }
    responder.respond(request).then((isAnswered) => {
      if (!isAnswered) repeats.forget(key)
    }, onFault)
  }

  return {
    /** One more socket for requests; the caller binds it to this address (with its zone) and closes it. */
    socket(address: string): Socket {
      const socket = createSocket(dgramOptions(address))
      socket.on('message', (datagram, from) => {
        // What one client sent shall harm nobody else: an error in a listener would end the program.
        try {
          received(socket, address, datagram, from)
        } catch (error) {
          onFault(error)
        }
      })
      return socket
    },
    /** Ends what is not ended by delivery. Resolves once every transfer's port is closed. */
    close: responder.close,
  }
}

function whoAsked({ delivery }: TftpDoorDepot, socket: Socket, from: RemoteInfo): Omit<Asked, 'target'> {
  const { address, port } = socket.address()
  return {
    door: TFTP_DOOR.name,
    client: delivery.clientAt(normalise(from.address) ?? '', from.port),
    localAddress: normalise(address) ?? '',
    localPort: port,
  }
}

function askedOf(
  { rehearsals }: TftpDoorDepot,
  who: Omit<Asked, 'target'>,
  { name, options }: ReadRequest,
): Asked {
  const said = options.find((option) => option.name === REHEARSAL_OPTION)
  return {
    ...who,
    target: textOfBytes(Buffer.from(name, 'latin1')),
    ...(said !== undefined && rehearsals.believes(who, said.value) && { rehearsal: true }),
  }
}
