/**
 * A bench as in real life, small and quick: on the ground of a depot the image port and the bench app, listening on
 * loopback. The depot is told documentation addresses (RFC 5737, RFC 3849), so that the lines to paste are the same on
 * every machine.
 */
import { randomBytes } from 'node:crypto'
import type { Server } from 'node:http'
import { type AddressInfo, connect, type Socket } from 'node:net'
import { type BenchOptions, createBenchApp } from '../../server/bench/app.ts'
import type { Depot } from '../../server/depot/depot.ts'
import { HTTP_DOOR } from '../../server/image-port/door.ts'
import { createImagePort } from '../../server/image-port/image-port.ts'
import { ownAddresses } from '../../server/network/addresses.ts'
import { basesOf } from '../../server/network/bases.ts'
import type { SettingsInput } from '../../server/settings.ts'
import { type Ground, openGround } from '../depot/ground.ts'

export const OWN = ownAddresses({
  eth0: [
    {
      address: '192.0.2.10',
      family: 'IPv4',
      mac: '00:00:5e:00:53:0a',
      internal: false,
      cidr: '192.0.2.10/24',
    },
    {
      address: '2001:db8::10',
      family: 'IPv6',
      mac: '00:00:5e:00:53:0a',
      internal: false,
      cidr: '2001:db8::10/64',
    },
  ],
})
export const LOOPBACK_ONLY = ownAddresses({
  lo: [
    { address: '127.0.0.1', family: 'IPv4', mac: '00:00:00:00:00:00', internal: true, cidr: '127.0.0.1/8' },
  ],
})
/** The port that stands in lines to paste. */
export const SHOWN_PORT = 8080

export interface RunningOptions {
  readonly folder?: string
  readonly settings?: Partial<SettingsInput>
  readonly bench?: Partial<BenchOptions>
  readonly own?: typeof OWN
  /** Changes what the bench is told, not what happens. */
  readonly shown?: (depot: Depot) => Depot
  /** Of the folder; that of its lock where it is left out. */
  readonly token?: string
  /** A run that follows another keeps its page's port. */
  readonly pagePort?: number
}

export interface Running extends Pick<Ground, 'depot' | 'folder' | 'stage' | 'close'> {
  readonly token: string
  /** `http://127.0.0.1:PORT`. */
  readonly page: string
  readonly pagePort: number
  readonly imagePort: number
}

/** Ends with `close`; the folder stays unless this run made it. */
export async function startRunning(options: RunningOptions = {}): Promise<Running> {
  const cleanings: (() => Promise<void>)[] = []
  const ground = await openGround({
    folder: options.folder,
    settings: { stalledMs: 600, lingerMs: 60_000, ...options.settings },
    cleanUp: (clean) => void cleanings.unshift(clean),
  })
  const own = options.own ?? OWN
  const listening = [
    { address: '0.0.0.0', port: SHOWN_PORT, door: HTTP_DOOR },
    { address: '::', port: SHOWN_PORT, door: HTTP_DOOR },
  ]
  const depot: Depot = { ...ground.depot, own: () => own, bases: () => basesOf(own, listening) }
  const token = options.token ?? randomBytes(32).toString('base64url')
  const images = await listenWithImages(depot)
  ground.closesDoor(images.close)
  const app = await createBenchApp({
    depot: options.shown?.(depot) ?? depot,
    token,
    firewall: () => [],
    ...options.bench,
  })
  await app.listen({ host: '127.0.0.1', port: options.pagePort ?? 0 })
  cleanings.unshift(async () => void (await app.close()))
  const { port } = app.server.address() as AddressInfo
  let closing: Promise<void> | undefined

  async function shut(): Promise<void> {
    for (const clean of cleanings) await clean()
  }

  return {
    depot,
    folder: ground.folder,
    token,
    page: `http://127.0.0.1:${port}`,
    pagePort: port,
    imagePort: images.port,
    stage: ground.stage,
    close() {
      closing ??= shut()
      return closing
    },
  }
}

async function listenWithImages(depot: Depot): Promise<{ port: number; close(): Promise<void> }> {
  const port = createImagePort({
    depot,
    limits: { requestMs: 30_000, maxConnections: 200 },
    onFault: (error) => {
      throw error
    },
  })
  const server: Server = port.server()
  await new Promise<void>((listening) => server.listen(0, '127.0.0.1', listening))
  return {
    port: (server.address() as AddressInfo).port,
    async close() {
      const closed = new Promise<void>((done) => server.close(() => done()))
      port.connections.destroyAll()
      await closed
    },
  }
}

export interface Device {
  readonly socket: Socket
  bytes(): number
  /** Resolves when the device has read this many bytes of the whole answer. */
  has(bytes: number): Promise<void>
  pause(): void
  resume(): void
  /** Breaks the connection off, as a device that loses its power does. */
  breakOff(): void
  /** Reads to the end and closes in order. */
  finish(): Promise<void>
}

export interface DeviceRequest {
  readonly port: number
  readonly path: string
  readonly fields?: readonly string[]
  /** Its own loopback address, so that several devices can be told apart. */
  readonly from?: string
  /** Stops reading here, as one does that erases its flash. */
  readonly pauseAt?: number
}

/** A client that reads as it likes. Closes when the server has, unless it is told to stay. */
export function device(request: DeviceRequest): Device {
  const socket = connect({
    port: request.port,
    host: '127.0.0.1',
    localAddress: request.from ?? '127.0.0.1',
    allowHalfOpen: true,
  })
  let bytes = 0
  let pausing = request.pauseAt
  const waiting: { bytes: number; reached: () => void }[] = []
  socket.on('data', (piece: Buffer) => {
    bytes += piece.length
    for (const wait of waiting) if (bytes >= wait.bytes) wait.reached()
    if (pausing !== undefined && bytes >= pausing) socket.pause()
  })
  // One that erases its flash closes only when it goes on.
  let ended = false
  socket.on('end', () => {
    ended = true
    if (pausing === undefined) socket.end()
  })
  socket.on('error', () => undefined)
  const closed = new Promise<void>((done) => socket.on('close', () => done()))
  const fields = ['Host: fetch.example', ...(request.fields ?? [])]
  socket.write(`GET ${request.path} HTTP/1.1\r\n${fields.join('\r\n')}\r\n\r\n`)
  return {
    socket,
    bytes: () => bytes,
    has: (wanted) =>
      new Promise((reached) => {
        if (bytes >= wanted) reached()
        else waiting.push({ bytes: wanted, reached })
      }),
    pause: () => socket.pause(),
    resume() {
      pausing = undefined
      socket.resume()
      if (ended) socket.end()
    },
    breakOff: () => socket.resetAndDestroy(),
    finish() {
      this.resume()
      return closed
    },
  }
}

/** The same bytes for the same seed, in no pattern that a format check knows. */
export function noise(bytes: number, seed = 1): Buffer {
  const made = Buffer.alloc(bytes)
  let state = seed >>> 0 || 1
  for (let at = 0; at + 4 <= bytes; at += 4) {
    // xorshift32 (Marsaglia 2003)
    state ^= state << 13
    state ^= state >>> 17
    state ^= state << 5
    made.writeUInt32LE(state >>> 0, at)
  }
  return made
}
