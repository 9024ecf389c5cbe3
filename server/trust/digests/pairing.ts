/**
 * Digests and the names beside them, in the order of the text -> which stands for which. On one line the order there
 * decides; else that of the block (up to an empty line); else the heading above it.
 */
import type { Algorithm } from './algorithm.ts'
import type { NamesIn } from './file-names.ts'

export interface StatedDigest extends NamesIn {
  readonly algorithm: Algorithm
  /** Lower-case hex. */
  readonly digest: string
  /** From 1. */
  readonly line: number
  /** The algorithm is named, not only guessed by the length. */
  readonly said: boolean
}

export function createPairing() {
  const stated: StatedDigest[] = []
  /** Indexes of those whose name is still to come. */
  let waiting: number[] = []
  let name: NamesIn | undefined
  let above: NamesIn | undefined
  let digestsFirst = false

  function give(found: NamesIn | undefined): void {
    for (const at of waiting) {
      const digest = stated[at]
      if (digest === undefined || found === undefined) continue
      stated[at] = { ...digest, names: [...digest.names, ...found.names], certain: found.certain }
    }
    waiting = []
  }

  function blockEnds(): void {
    give(above)
    above = digestsFirst ? undefined : (name ?? above)
    name = undefined
    digestsFirst = false
  }

  return {
    /** A name on a line without a digest. */
    name(found: NamesIn): void {
      if (waiting.length > 0) {
        digestsFirst = true
        give(found)
      } else if (!digestsFirst) name = found
    },
    digest(digest: Omit<StatedDigest, keyof NamesIn>, own: NamesIn | undefined): void {
      stated.push({ ...digest, names: own?.names ?? [], certain: own?.certain ?? false })
      if (own?.certain === true) {
        name = own.ofLine ? undefined : own
        return
      }
      waiting.push(stated.length - 1)
      if (name !== undefined && !digestsFirst) give(name)
    },
    /** What a digest without a name of its own would stand for here. */
    nameNow: (): NamesIn | undefined => name ?? above,
    /** An empty line. */
    blockEnds,
    /** All of them, in the order of the text. */
    end(): StatedDigest[] {
      blockEnds()
      return stated
    },
  }
}
