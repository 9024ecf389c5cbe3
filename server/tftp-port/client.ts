/** Reads one file by TFTP, as a device does: RFC 1350, options of RFC 2347, windows of RFC 7440. For rehearsals. */
import { createSocket, type RemoteInfo } from 'node:dgram'
import { isIPv6 } from 'node:net'
import {
  DEFAULT_BLOCK_BYTES,
  type Option,
  parsePacket,
  writeAck,
  writeError,
  writeRequest,
} from './packets.ts'

interface ReadOptions {
  /** An address. */
  readonly host: string
  readonly port: number
  readonly name: string
  readonly options: readonly Option[]
  /** In order; not to be kept. */
  readonly onBytes: (piece: Uint8Array) => void
}

/** `options`: what was granted, names in lower case. */
export type ReadAnswer =
  | { readonly kind: 'whole'; readonly options: ReadonlyMap<string, string> }
  | { readonly kind: 'refused'; readonly code: number; readonly text: string }
  | { readonly kind: 'silent' }

const AGAIN_AFTER_MS = 1_000
const ATTEMPTS = 8

/** Never rejects for what the other side does. */
export function readByTftp({ host, port, name, options, onBytes }: ReadOptions): Promise<ReadAnswer> {
  // Long: one reading over one state, a function for each thing that may come.
  return new Promise((answered) => {
    const socket = createSocket(isIPv6(host) ? 'udp6' : 'udp4')
    let peer: number | undefined
    let granted = new Map<string, string>()
    let expected = 1
    let inWindow = 0
    let gapTold = false
    let attempts = 0
    let isOver = false
    let timer: NodeJS.Timeout

    const send = (packet: Uint8Array, done: () => void = () => undefined): void =>
      socket.send(packet, peer ?? port, host, done)
    const again = (): void => send(peer === undefined ? writeRequest(name, options) : writeAck(expected - 1))

    function end(answer: ReadAnswer): void {
      if (isOver) return
      isOver = true
      clearInterval(timer)
      socket.close()
      answered(answer)
    }

    function acknowledge(): void {
      inWindow = 0
      send(writeAck(expected - 1))
    }

    function data(block: number, bytes: Uint8Array): void {
      if (block !== (expected & 0xffff)) {
        // Something between was lost: said once, and what comes before it is sent anew is passed over.
        if (!gapTold) acknowledge()
        gapTold = true
        return
      }
      attempts = 0
      gapTold = false
      onBytes(bytes)
      expected += 1
      inWindow += 1
      const isLast = bytes.byteLength < Number(granted.get('blksize') ?? DEFAULT_BLOCK_BYTES)
      const isFull = inWindow === Number(granted.get('windowsize') ?? 1)
      if (isLast) send(writeAck(block), () => end({ kind: 'whole', options: granted }))
      else if (isFull) acknowledge()
    }

    socket.on('message', (datagram: Uint8Array, from: RemoteInfo) => {
      if (peer !== undefined && from.port !== peer) return
      const packet = parsePacket(datagram)
      if (packet.kind === 'error') {
        end({ kind: 'refused', code: packet.code, text: packet.text })
        return
      }
      peer = from.port
      if (packet.kind === 'data') data(packet.block, packet.bytes)
      else if (packet.kind === 'option ack' && expected === 1) {
        granted = new Map(packet.options.map((option) => [option.name.toLowerCase(), option.value]))
        acknowledge()
      } else if (packet.kind !== 'option ack') send(writeError(4, `unexpected ${packet.kind}`))
    })
    socket.on('error', () => end({ kind: 'silent' }))
    timer = setInterval(() => {
      attempts += 1
      if (attempts >= ATTEMPTS) end({ kind: 'silent' })
      else again()
    }, AGAIN_AFTER_MS)
    again()
  })
}
