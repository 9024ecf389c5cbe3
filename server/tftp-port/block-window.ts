/**
 * The blocks that a client has not acknowledged yet, as packets that can be sent again. What is held is one window and
 * no more: the pieces that the bytes came from are free at once.
 */
import type { Terms } from './options.ts'
import { DATA_HEADER_BYTES, writeDataHeader } from './packets.ts'
import { lastBlockOf } from './transfer.ts'

interface Slot {
  packet: Buffer
  /** Bytes of the block that are filled. */
  filled: number
  /** Copies handed to the system that it has not taken yet: until then the packet's memory is not ours to change. */
  sending: number
}

export function createBlockWindow(terms: Terms, bytes: number) {
  // Long: filling, sending and letting go over one list of slots.
  const { blockBytes, windowBlocks } = terms
  const slots: Slot[] = []
  const lastBlock = lastBlockOf(bytes, terms)
  let left = bytes
  /** The block that is being filled. */
  let block = 1
  let current: Slot | undefined

  function slotOf(number: number): Slot {
    const at = number % windowBlocks
    const slot = slots[at]
    // The last block is often shorter: small images cost no more than they are.
    const size = DATA_HEADER_BYTES + Math.min(blockBytes, left)
    if (slot !== undefined && slot.sending === 0 && slot.packet.length >= size) {
      slot.filled = 0
      return slot
    }
    const fresh: Slot = { packet: Buffer.allocUnsafeSlow(size), filled: 0, sending: 0 }
    slots[at] = fresh
    return fresh
  }

  return {
    // A last block without bytes needs nothing to be put.
    get ready(): number {
      return left === 0 ? lastBlock : block - 1
    },
    /** Bytes that the blocks of one window still take; 0 while there is no place before `acked` moves on, or all is there. */
    room(acked: number): number {
      const places = acked + windowBlocks + 1 - block
      return Math.min(left, Math.max(0, places * blockBytes - (current?.filled ?? 0)))
    },
    /** At most `room` bytes. */
    put(piece: Uint8Array): void {
      for (let at = 0; at < piece.byteLength; ) {
        current ??= slotOf(block)
        const room = blockBytes - current.filled
        const fits = at === 0 && piece.byteLength <= room
        const bytes = fits ? piece : piece.subarray(at, at + room)
        current.packet.set(bytes, DATA_HEADER_BYTES + current.filled)
        current.filled += bytes.byteLength
        at += bytes.byteLength
        left -= bytes.byteLength
        if (current.filled < blockBytes) return
        writeDataHeader(current.packet, block)
        current = undefined
        block += 1
      }
    },
    /** The packet of a filled block that is not acknowledged; `sent` once the system has it. */
    take(number: number): { readonly packet: Uint8Array; sent(): void } {
      const slot = number < block ? slots[number % windowBlocks] : current
      // The last block, short or empty.
      const packet = slot?.packet ?? Buffer.alloc(DATA_HEADER_BYTES)
      const length = DATA_HEADER_BYTES + (slot?.filled ?? 0)
      if (number === lastBlock) writeDataHeader(packet, number)
      if (slot !== undefined) slot.sending += 1
      return {
        packet: packet.length === length ? packet : packet.subarray(0, length),
        sent() {
          if (slot !== undefined) slot.sending -= 1
        },
      }
    },
  }
}
