/**
 * The TFTP door, in this process, bound to 127.0.0.1; and clients of it from loopback addresses of their own (Linux has
 * all of 127.0.0.0/8).
 */
import { createSocket, type RemoteInfo } from 'node:dgram'
import { once } from 'node:events'
import { setTimeout as pause } from 'node:timers/promises'
import type { SettingsInput } from '../../server/settings.ts'
import { createTftpPort } from '../../server/tftp-port/tftp-port.ts'
import type { Until } from '../clients/served.ts'
import { type Ground, openGround } from '../depot/ground.ts'
import { createVirtualClient } from './virtual-client.ts'
import { createRandom, createRelay, type Weather } from './virtual-network.ts'

/** A transfer whose client is gone is given up after 50 s. */
const DEADLINE_MS = 70_000

export interface Door extends Ground {
  readonly port: number
  readonly faults: readonly unknown[]
}

export async function openDoor(
  files: Readonly<Record<string, Buffer>>,
  cleanUp: Until,
  settings: Partial<SettingsInput> = {},
): Promise<Door> {
  const ground = await openGround({ files, cleanUp, settings })
  const faults: unknown[] = []
  const tftp = createTftpPort({ depot: ground.depot, onFault: (error) => void faults.push(error) })
  const socket = tftp.socket('127.0.0.1')
  ground.closesDoor(() => {
    socket.close()
    return tftp.close()
  })
  const bound = once(socket, 'listening')
  socket.bind(0, '127.0.0.1')
  await bound
  return { ...ground, port: socket.address().port, faults }
}

/** A datagram as it came, and from which port. */
export interface Came {
  readonly bytes: Buffer
  readonly port: number
}

export interface RawClient {
  readonly port: number
  /** All that has come so far. */
  readonly came: readonly Came[]
  send(bytes: Buffer, port: number): void
  /** The next one that was not asked for yet. */
  next(): Promise<Came>
}

/** A socket that does what the test says, and nothing by itself. */
export async function rawClient(cleanUp: Until, address = '127.0.0.1'): Promise<RawClient> {
  const socket = createSocket('udp4')
  socket.bind(0, address)
  await once(socket, 'listening')
  cleanUp(async () => void socket.close())
  const came: Came[] = []
  let asked = 0
  socket.on('message', (bytes: Buffer, from: RemoteInfo) => {
    came.push({ bytes, port: from.port })
    socket.emit('came')
  })
  return {
    port: socket.address().port,
    came,
    send: (bytes, port) => socket.send(bytes, port, '127.0.0.1'),
    async next() {
      const signal = AbortSignal.timeout(DEADLINE_MS)
      while (came.length <= asked) await once(socket, 'came', { signal })
      asked += 1
      return came[asked - 1] as Came
    },
  }
}

export type OptionValues = Readonly<Record<string, string | number>>

/** RFC 1350 §5 and RFC 2347, written by hand. */
export function request(name: string, options: OptionValues = {}, mode = 'octet', opcode = 1): Buffer {
  const strings = [name, mode, ...Object.entries(options).flat()]
  return Buffer.concat([Buffer.from([0, opcode]), Buffer.from(strings.map((each) => `${each}\0`).join(''))])
}

export const ack = (block: number): Buffer => Buffer.from([0, 4, (block >> 8) & 0xff, block & 0xff])
export const error = (code: number, text: string): Buffer =>
  Buffer.concat([Buffer.from([0, 5, 0, code]), Buffer.from(`${text}\0`)])

export interface Told {
  readonly code: number
  readonly text: string
}

/** An ERROR packet's code and text. */
export function errorIn({ bytes }: Came): Told {
  if (bytes[1] !== 5 || bytes.at(-1) !== 0)
    throw new Error(`no ERROR packet: ${bytes.toString('hex', 0, 40)}`)
  return { code: bytes.readUInt16BE(2), text: bytes.toString('latin1', 4, bytes.length - 1) }
}

/** The options of an OACK packet. */
export function optionsIn({ bytes }: Came): Record<string, string> {
  if (bytes[1] !== 6) throw new Error(`no OACK: ${bytes.toString('hex', 0, 40)}`)
  const strings = bytes.toString('latin1', 2).split('\0')
  const options: Record<string, string> = {}
  for (let at = 0; at + 1 < strings.length; at += 2) options[strings[at] ?? ''] = strings[at + 1] ?? ''
  return options
}

export interface Pulled {
  readonly port: number
  readonly bytes: Buffer
  readonly done: boolean
  readonly options: Record<string, string>
  readonly refused: Told | undefined
}

export interface PullOptions {
  readonly options?: OptionValues
  readonly weather?: Weather
  readonly seed?: number
  readonly address?: string
}

const FAIR: Weather = { lost: 0, doubled: 0, late: 0, delayMs: 0 }
/** The client that virtual time knows, with real clocks. */
const REAL_TIME = {
  now: () => performance.now(),
  after(ms: number, act: () => void) {
    const timer = setTimeout(act, ms)
    return () => clearTimeout(timer)
  },
  run: () => Promise.reject(new Error('real time runs by itself')),
}

/** A whole pull by a client of our own (RFC 1350, RFC 2347, RFC 7440), through a relay that loses, doubles, delays. */
export async function pull(
  door: Pick<Door, 'port'>,
  name: string,
  { options = {}, weather = FAIR, seed = 1, address = '127.0.0.1' }: PullOptions = {},
): Promise<Pulled> {
  const socket = createSocket('udp4')
  socket.bind(0, address)
  await once(socket, 'listening')
  const { port } = socket.address()
  const relay = weather === FAIR ? deliver : createRelay(REAL_TIME, createRandom(seed), weather)
  let peer = door.port
  let agreed: Record<string, string> = {}
  let refused: Told | undefined
  let client: ReturnType<typeof createVirtualClient> | undefined
  let isOver = false
  const send = (packet: Uint8Array): void => {
    const to = peer
    relay(packet, (arrived) => {
      if (!isOver) socket.send(arrived, to, '127.0.0.1')
    })
  }
  const over = new Promise<void>((resolve) => {
    const look = setInterval(() => {
      if (refused === undefined && client?.done !== true && client?.gaveUp !== true) return
      clearInterval(look)
      resolve()
    }, 5)
  })
  socket.on('message', (bytes: Buffer, from: RemoteInfo) => {
    relay(bytes, (arrived) => {
      const packet = { bytes: Buffer.from(arrived), port: from.port }
      if (client === undefined) {
        if (packet.bytes[1] === 5) refused ??= errorIn(packet)
        if (refused !== undefined) return
        peer = from.port
        if (packet.bytes[1] === 6) agreed = optionsIn(packet)
        client = createVirtualClient(
          {
            blockBytes: Number(agreed.blksize ?? 512),
            windowBlocks: Number(agreed.windowsize ?? 1),
            optionsAsked: packet.bytes[1] === 6,
            dallies: true,
          },
          REAL_TIME,
          send,
        )
      }
      if (from.port === peer) client.arrive(packet.bytes)
    })
  })
  send(request(name, options))
  const again = setInterval(() => {
    if (client === undefined && refused === undefined) send(request(name, options))
  }, 1_000)
  await over
  clearInterval(again)
  // What it dallies for (RFC 1350 §6): its last acknowledgement may have been lost.
  if (weather !== FAIR) await pause(3_000)
  isOver = true
  socket.close()
  return {
    port,
    bytes: client?.received() ?? Buffer.alloc(0),
    done: client?.done ?? false,
    options: agreed,
    refused,
  }
}

const deliver = (packet: Uint8Array, arrive: (packet: Uint8Array) => void): void => arrive(packet)
