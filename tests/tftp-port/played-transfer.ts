/** One whole transfer in virtual time: delivery's own fetch, the transfer's wire, a relay, and a client of our own. */

import type { Piece } from '../../server/delivery/block-pieces.ts'
import type { HeldBlock, OpenedVersion } from '../../server/delivery/blocks.ts'
import { createFetch, type FetchEnd } from '../../server/delivery/fetch.ts'
import { createTurns } from '../../server/delivery/sending-turns.ts'
import { grantOptions } from '../../server/tftp-port/options.ts'
import { type Option, parsePacket } from '../../server/tftp-port/packets.ts'
import { createTransfer } from '../../server/tftp-port/wire.ts'
import { createVirtualClient, type VirtualClient } from './virtual-client.ts'
import { createRandom, createRelay, createVirtualTime, type Weather } from './virtual-network.ts'

export interface Played {
  readonly end: FetchEnd
  readonly client: VirtualClient
  readonly image: Buffer
  /** The client's last acknowledgement reached the server while it still listened. */
  readonly lastAckArrived: boolean
  /** Packets that the server sent before the first answer arrived, and in all. */
  readonly unprovedBytes: readonly number[]
  readonly sent: number
}

export interface Play {
  readonly seed: number
  readonly bytes: number
  readonly options: readonly Option[]
  readonly weather: Weather
}

export async function playTransfer({ seed, bytes, options, weather }: Play): Promise<Played> {
  const random = createRandom(seed)
  const time = createVirtualTime()
  const relay = createRelay(time, random, weather)
  const image = Buffer.alloc(bytes)
  for (let at = 0; at < bytes; at += 1) image[at] = random() * 256
  const granted = grantOptions(options, { bytes, blockBytesAtMost: 1468 })
  let end: FetchEnd | undefined
  let lastAckArrived = false
  let proved = false
  let sent = 0
  const unprovedBytes: number[] = []
  const transfer = createTransfer({
    granted,
    bytes,
    send(packet, done) {
      sent += 1
      if (!proved) unprovedBytes.push(packet.byteLength)
      relay(packet, (arrived) => client.arrive(arrived))
      // The system takes it in its own time; until then its memory is not to be changed.
      time.after(random() < 0.1 ? 5 : 0, () => done())
    },
    clock: time.now,
    after: time.after,
    onEnd: () => undefined,
  })
  const client = createVirtualClient(
    { ...granted.terms, optionsAsked: granted.options.length > 0, dallies: random() < 0.7 },
    time,
    (packet, last) =>
      relay(packet, (arrived) => {
        proved = true
        if (last && end === undefined) lastAckArrived = true
        transfer.take(parsePacket(arrived))
      }),
  )
  const after = (ms: number, act: () => void): (() => void) => time.after(ms, act)
  if (bytes === 0) {
    // Nothing is fetched of an empty image: the transfer alone is played.
    const told = new Promise<FetchEnd>((resolve) => {
      const ended = (ending: 'delivered' | 'cut' | 'unconfirmed'): void => resolve(emptyEnd(ending))
      transfer.wire.watch({
        closed: () => undefined,
        lost: () => undefined,
        acknowledged: () => ended('delivered'),
        gaveUp: () => ended('cut'),
        silent: () => ended('unconfirmed'),
      })
    }).then((told) => {
      end = told
    })
    transfer.begin()
    await time.run()
    await told
  } else {
    const fetch = createFetch({
      turns: createTurns(),
      opened: openedOf(image, random),
      first: 0,
      promised: bytes,
      lingerMs: 15 * 60_000,
      after,
      sendQueues: {
        supported: true,
        ask: () => Promise.reject(new Error('no queue is to be asked for')),
        askNow: () => undefined,
      },
      clock: time.now,
      onSeen: () => undefined,
      onHandedOver: () => undefined,
      onEnd: (seen) => {
        end = seen
      },
      onFault: (error) => {
        throw error
      },
    })
    fetch.start(transfer.wire)
    transfer.begin()
    await time.run()
  }
  if (end === undefined) throw new Error('the transfer has no end')
  return { end, client, image, lastAckArrived, unprovedBytes, sent }
}

function emptyEnd(ending: 'delivered' | 'cut' | 'unconfirmed'): FetchEnd {
  return {
    state: { phase: 'ended', ending },
    bytesHandedOver: 0,
    firstByteMs: undefined,
    lastByteMs: undefined,
    acknowledgedMs: undefined,
    durationMs: 0,
    resent: undefined,
  }
}

const BLOCK_BYTES = 64 * 1024

/** Pieces of odd sizes: no block of the wire is to end where they do. Some come at once, some in the next turn. */
function openedOf(image: Buffer, random: () => number): OpenedVersion {
  const blocks: HeldBlock[] = []
  const blockOf = (index: number): HeldBlock => (blocks[index] ??= cut(index))
  const cut = (index: number): HeldBlock => {
    const pieces: Piece[] = []
    const block = image.subarray(index * BLOCK_BYTES, (index + 1) * BLOCK_BYTES)
    for (let at = 0; at < block.length; at += 999)
      pieces.push({ bytes: block.subarray(at, at + 999), hold: () => () => undefined })
    return { pieces, letGo: () => undefined }
  }
  return {
    version: {
      sha256: '',
      bytes: image.length,
      crc32: '',
      blockBytes: BLOCK_BYTES,
      blocks: new Uint8Array(32),
      blocksSha256: '',
      identity: { dev: 0n, ino: 0n, size: 0n, mtimeNs: 0n, ctimeNs: 1n },
      more: {},
    },
    at: (index) => (random() < 0.5 ? blockOf(index).pieces : undefined),
    load: async (index) => blockOf(index),
    readAhead: () => undefined,
    release: () => undefined,
  }
}
