/**
 * One read by TFTP as a boot loader does it (RFC 1350, options RFC 2347, windows RFC 7440), apart from the program's own
 * client on purpose: nothing is known here but the packets, and the device says what is done with each block.
 */
import { createSocket, type RemoteInfo } from 'node:dgram'
import { once } from 'node:events'

export type TftpOptions = Readonly<Record<string, string>>

/** How a read ended. `acknowledged`: whether an acknowledgement of the last block left. */
export type ReadEnd =
  | { readonly kind: 'whole'; readonly acknowledged: boolean }
  | { readonly kind: 'refused'; readonly code: number }
  /** An ERROR after the server had answered. */
  | { readonly kind: 'stopped by the server' }
  | { readonly kind: 'silent' }
  | { readonly kind: 'left' }

/** What the device wants after a block: the next one, to send an ERROR, or to be gone without a word. */
export type Wish = 'on' | 'error' | 'gone'

export interface ReadPlan {
  readonly name: string
  readonly options: TftpOptions
  /** The server's answer to the options; `error` refuses it (RFC 2347). */
  readonly onGranted: (granted: TftpOptions) => Wish
  /** A block in its turn. */
  readonly onBlock: (bytes: Buffer) => Promise<Wish> | Wish
  /** Whether this packet is lost on its way; asked from the first answer on. */
  readonly isLost: () => boolean
  /** The last block's acknowledgement is kept back. */
  readonly keepsLastBack: boolean
  /** Stays a while to answer a last block that comes again (RFC 1350 §6). */
  readonly dallies: boolean
  /** Whether it asks once more after so long without an answer. */
  readonly isPatient: (tries: number) => boolean
  /** The request was sent, perhaps again. */
  readonly onAsked: () => void
}

export interface TftpReader {
  readonly port: number
  read(plan: ReadPlan): Promise<ReadEnd>
  /** Says that it gives up, to whoever answered. */
  giveUp(): void
  /** Once what was sent has left. */
  close(): void
}

const AGAIN_AFTER_MS = 700
const DALLY_MS = 300
const [DATA, ERROR, OPTION_ACK] = [3, 5, 6]

export async function openTftpReader(serverPort: number, localAddress: string): Promise<TftpReader> {
  const socket = createSocket('udp4')
  socket.bind(0, localAddress)
  await once(socket, 'listening')
  const came: Buffer[] = []
  let wake: (() => void) | undefined
  let peer: number | undefined
  let leaving = 0
  let closed = false
  const closeWhenLeft = (): void => {
    if (closed && leaving === 0) socket.close()
  }
  socket.on('error', () => undefined)
  socket.on('message', (bytes: Buffer, from: RemoteInfo) => {
    if (peer !== undefined && from.port !== peer) return
    if (bytes[1] !== ERROR) peer = from.port
    came.push(bytes)
    wake?.()
  })

  async function next(withinMs: number): Promise<Buffer | undefined> {
    if (came.length === 0) {
      await new Promise<void>((woken) => {
        const limit = setTimeout(woken, withinMs)
        wake = () => {
          clearTimeout(limit)
          woken()
        }
      })
      wake = undefined
    }
    return came.shift()
  }

  function send(packet: Buffer): void {
    if (closed) return
    leaving += 1
    socket.send(packet, peer ?? serverPort, '127.0.0.1', () => {
      leaving -= 1
      closeWhenLeft()
    })
  }

  async function read(plan: ReadPlan): Promise<ReadEnd> {
    let blockBytes = 512
    let windowBlocks = 1
    let expected = 1
    let inWindow = 0
    let gapTold = false
    let tries = 0
    let granted = Object.keys(plan.options).length === 0
    const lost = (): boolean => peer !== undefined && plan.isLost()
    const acknowledge = (): boolean => {
      inWindow = 0
      if (lost()) return false
      send(Buffer.from([0, 4, ((expected - 1) >> 8) & 0xff, (expected - 1) & 0xff]))
      return true
    }
    const ask = (): void => {
      plan.onAsked()
      send(request(plan.name, plan.options))
    }
    const leave = (wish: Wish): ReadEnd => {
      if (wish === 'error') send(errorPacket(3, 'disk full'))
      return { kind: 'left' }
    }

    ask()
    for (;;) {
      const packet = await next(AGAIN_AFTER_MS)
      if (packet === undefined) {
        tries += 1
        if (!plan.isPatient(tries)) return { kind: 'silent' }
        if (peer === undefined) ask()
        // Its options are not agreed yet, for all that it knows: the server says them again.
        else if (expected > 1 || granted) acknowledge()
        continue
      }
      if (packet[1] === ERROR) {
        const code = packet.readUInt16BE(2)
        return peer === undefined ? { kind: 'refused', code } : { kind: 'stopped by the server' }
      }
      if (lost()) continue
      if (packet[1] === OPTION_ACK && expected === 1) {
        const terms = optionsOf(packet)
        granted = true
        blockBytes = Number(terms.blksize ?? blockBytes)
        windowBlocks = Number(terms.windowsize ?? windowBlocks)
        const wish = plan.onGranted(terms)
        if (wish !== 'on') return leave(wish)
        acknowledge()
      }
      if (packet[1] !== DATA) continue
      if (packet.readUInt16BE(2) !== (expected & 0xffff)) {
        // Lost is what comes between, or its acknowledgement was: said once, then by the clock.
        if (!gapTold) acknowledge()
        gapTold = true
        continue
      }
      tries = 0
      gapTold = false
      const bytes = packet.subarray(4)
      const wish = await plan.onBlock(bytes)
      expected += 1
      inWindow += 1
      const isLast = bytes.length < blockBytes
      if (isLast && plan.keepsLastBack) return { kind: 'whole', acknowledged: false }
      if (wish !== 'on') return leave(wish)
      if (isLast) {
        let acknowledged = acknowledge()
        const until = Date.now() + DALLY_MS
        while (plan.dallies && Date.now() < until) {
          if ((await next(until - Date.now()))?.[1] === DATA) acknowledged = acknowledge() || acknowledged
        }
        return { kind: 'whole', acknowledged }
      }
      if (inWindow === windowBlocks) acknowledge()
    }
  }

  return {
    port: socket.address().port,
    read,
    giveUp: () => send(errorPacket(0, 'given up')),
    close() {
      if (closed) return
      closed = true
      closeWhenLeft()
    },
  }
}

function request(name: string, options: TftpOptions): Buffer {
  const strings = [name, 'octet', ...Object.entries(options).flat()]
  return Buffer.concat([Buffer.from([0, 1]), Buffer.from(strings.map((each) => `${each}\0`).join(''))])
}

function errorPacket(code: number, text: string): Buffer {
  return Buffer.concat([Buffer.from([0, ERROR, 0, code]), Buffer.from(`${text}\0`)])
}

function optionsOf(packet: Buffer): TftpOptions {
  const strings = packet.toString('latin1', 2).split('\0')
  return Object.fromEntries(
    strings.flatMap((name, at) => (at % 2 === 0 && name !== '' ? [[name, strings[at + 1] ?? '']] : [])),
  )
}
