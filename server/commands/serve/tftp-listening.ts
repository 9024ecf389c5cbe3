/**
 * Opens the TFTP door on every own address, each with a socket of its own, and follows the addresses while serving. What
 * cannot be had is said: the other doors serve on.
 */
import type { Socket } from 'node:dgram'
import { isIP } from 'node:net'
import type { Depot } from '../../depot/depot.ts'
import { FetchproofError } from '../../errors.ts'
import { normalise, type OwnAddress } from '../../network/addresses.ts'
import { covers, type Listening } from '../../network/bases.ts'
import { watchAddresses } from '../../network/own-addresses.ts'
import type { Settings } from '../../settings.ts'
import { TFTP_DOOR } from '../../tftp-port/door.ts'
import { createTftpPort } from '../../tftp-port/tftp-port.ts'
import { listenOn } from './listening.ts'

interface TftpOptions {
  readonly depot: Depot
  readonly settings: Pick<Settings, 'listen' | 'tftpPort'>
  readonly onFault: (error: unknown) => void
  readonly onCrowded: () => void
  /** It listens on other addresses now. */
  readonly onChanged: () => void
}

export async function openTftp({ depot, settings, onFault, onCrowded, onChanged }: TftpOptions) {
  // Long: one list of sockets, followed as addresses come and go.
  const tftp = createTftpPort({ depot, onFault, onCrowded })
  const sockets = new Map<string, Socket>()
  // With 0 the first one takes a free port, and the others that same one.
  let port = settings.tftpPort

  async function open(address: string): Promise<void> {
    const socket = tftp.socket(address)
    const at = { address, port, door: TFTP_DOOR }
    await listenOn(socket, () => socket.bind({ address, port, exclusive: true }), at, depot.own())
    socket.on('error', onFault)
    port = socket.address().port
    sockets.set(address, socket)
  }

  /** Returns why some could not be opened, each reason once. */
  async function openMissing(): Promise<string[]> {
    const refused = new Set<string>()
    for (const address of wanted(settings.listen, depot.own())) {
      if (sockets.has(address)) continue
      await open(address).catch((error: unknown) => {
        if (!(error instanceof FetchproofError)) throw error
        refused.add(error.message)
      })
    }
    return [...refused]
  }

  async function follow(own: readonly OwnAddress[]): Promise<void> {
    const present = new Set(wanted(settings.listen, own))
    for (const [address, socket] of sockets) {
      if (present.has(address)) continue
      sockets.delete(address)
      socket.close()
    }
    for (const why of await openMissing()) depot.say(`TFTP: ${why}`)
    onChanged()
  }

  const refused = await openMissing()
  const watch = watchAddresses(depot.own, (own) => void follow(own).catch(onFault))
  return {
    listening: (): readonly Listening[] =>
      [...sockets.keys()].map((address) => ({
        address: normalise(address) ?? address,
        port,
        door: TFTP_DOOR,
      })),
    remarks: sockets.size === 0 ? refused.slice(0, 1).map((why) => `TFTP is not served: ${why}`) : refused,
    async close(): Promise<void> {
      watch.close()
      for (const socket of sockets.values()) socket.close()
      sockets.clear()
      await tftp.close()
    },
  }
}

/** Own addresses as they are bound, and others that were asked for. */
function wanted(listen: readonly string[], own: readonly OwnAddress[]): string[] {
  const asksFor = (address: string, each: OwnAddress): boolean =>
    covers({ address: normalise(address) ?? address }, each)
  const mine = own.filter((each) => listen.length === 0 || listen.some((address) => asksFor(address, each)))
  const others = listen.filter(
    (address) => isIP(address) !== 0 && !own.some((each) => asksFor(address, each)),
  )
  return [...mine.map(boundAs), ...others]
}

/** A link-local IPv6 address is one with its interface alone (RFC 4007 §11); Windows names that by number. */
function boundAs({ address, scopeId, interface: name }: OwnAddress): string {
  if (scopeId === null) return address
  return `${address}%${process.platform === 'win32' ? scopeId : name}`
}
