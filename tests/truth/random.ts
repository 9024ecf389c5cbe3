/**
 * A seeded source of chance, so that a run can be repeated: SplitMix32-style steps over a state taken from the
 * SHA-256 of the seed text. Good enough to choose behaviours and offsets; nothing rests on its quality.
 */
import { createHash } from 'node:crypto'

export interface Random {
  /** In [0, 1). */
  next(): number
  /** From `least` to `most`, both included. */
  whole(least: number, most: number): number
  chance(share: number): boolean
  pick<T>(list: readonly [T, ...T[]]): T
  /** By the weight that each carries. */
  weighted<T extends { readonly weight: number }>(list: readonly T[]): T
}

export function createRandom(seed: string): Random {
  let state = createHash('sha256').update(seed).digest().readUInt32LE(0)

  function next(): number {
    state = (state + 0x9e3779b9) | 0
    let mixed = state ^ (state >>> 16)
    mixed = Math.imul(mixed, 0x21f0aaad)
    mixed ^= mixed >>> 15
    mixed = Math.imul(mixed, 0x735a2d97)
    return ((mixed ^ (mixed >>> 15)) >>> 0) / 2 ** 32
  }

  return {
    next,
    whole: (least, most) => least + Math.floor(next() * (most - least + 1)),
    chance: (share) => next() < share,
    pick: (list) => list[Math.floor(next() * list.length)] ?? list[0],
    weighted(list) {
      let left = next() * list.reduce((sum, { weight }) => sum + weight, 0)
      for (const each of list) {
        left -= each.weight
        if (left < 0) return each
      }
      const last = list.at(-1)
      if (last === undefined) throw new RangeError('nothing to choose from')
      return last
    },
  }
}
