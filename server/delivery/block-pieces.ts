/**
 * Memory for the pieces that go to sockets, used over again: with fresh memory for each piece the collector was
 * the busiest part of serving. A piece is filled anew only when every holder has let go of it. A holder that never
 * lets go (a write that failed) costs that piece, which the collector takes, and never somebody else's bytes.
 */

export const PIECE_BYTES = 64 * 1024

/** Kept for the next block; what is over it goes to the collector. */
const KEPT_PIECES = 128

export interface Piece {
  /** Not to be changed, and not to be read after letting go. */
  readonly bytes: Uint8Array
  /** One more holder. What is returned lets go; a second call of it does nothing. */
  hold(): () => void
}

export type PieceMemory = ReturnType<typeof createPieceMemory>

export function createPieceMemory() {
  const free: Uint8Array[] = []

  return {
    /** A piece to be filled, of at most `PIECE_BYTES`, held by nobody yet. */
    take(bytes: number): Piece {
      // The short piece at an image's end has memory of its own, so that small images cost no more than they are.
      if (bytes !== PIECE_BYTES) return createPiece(Buffer.allocUnsafeSlow(bytes), () => undefined)
      const memory = free.pop() ?? Buffer.allocUnsafeSlow(PIECE_BYTES)
      return createPiece(memory, () => {
        if (free.length < KEPT_PIECES) free.push(memory)
      })
    },
  }
}

function createPiece(bytes: Uint8Array, unheld: () => void): Piece {
  let holders = 0
  return {
    bytes,
    hold() {
      holders += 1
      let held = true
      return () => {
        if (!held) return
        held = false
        holders -= 1
        if (holders === 0) unheld()
      }
    },
  }
}
