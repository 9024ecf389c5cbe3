/**
 * A set of bytes that grows: spans kept sorted, disjoint and merged, so that a pull of a million ranges costs no more
 * for its last one than for its first. One span as a rule; more stand in blocks of at most so many, since putting one
 * into the middle of half a million took a tenth of a millisecond.
 *
 *   blocks  [ first end first end … ] [ first end … ] …
 */
const SPANS_A_BLOCK = 512
const NONE: never[] = []

export interface Span {
  readonly first: number
  readonly end: number
}

export class Coverage {
  /** How many bytes are in it. */
  bytes: number = 0
  #blocks: number[][] = NONE

  /** An empty or reversed span adds nothing. */
  add({ first, end }: Span): void {
    if (end <= first) return
    // As nearly every pull has it: pushed into an empty block, it would be given room for seventeen.
    if (this.bytes === 0) {
      this.#blocks = [[first, end]]
      this.bytes = end - first
      return
    }
    const blocks = this.#blocks
    let [at, place] = this.#firstEndingFrom(first)
    let block = blocks[at]
    while (block !== undefined && (block[place] ?? Number.POSITIVE_INFINITY) <= end) {
      const [oldFirst = 0, oldEnd = 0] = block.splice(place, 2)
      first = Math.min(first, oldFirst)
      end = Math.max(end, oldEnd)
      this.bytes -= oldEnd - oldFirst
      if (place < block.length) continue
      if (block.length === 0) blocks.splice(at, 1)
      else at += 1
      place = 0
      block = blocks[at]
    }
    this.bytes += end - first
    this.#put(at, place, first, end)
  }

  clear(): void {
    this.bytes = 0
    this.#blocks = NONE
  }

  overlaps({ first, end }: Span): boolean {
    if (end <= first) return false
    const [at, place] = this.#firstEndingFrom(first + 1)
    return (this.#blocks[at]?.[place] ?? Number.POSITIVE_INFINITY) < end
  }

  /** Whether every byte of the span is in it; true for an empty one. */
  holds({ first, end }: Span): boolean {
    if (end <= first) return true
    const [at, place] = this.#firstEndingFrom(first + 1)
    const block = this.#blocks[at]
    return block !== undefined && (block[place] ?? 0) <= first && (block[place + 1] ?? 0) >= end
  }

  *spans(): Generator<Span> {
    for (const block of this.#blocks) {
      for (let place = 0; place < block.length; place += 2) {
        yield { first: block[place] ?? 0, end: block[place + 1] ?? 0 }
      }
    }
  }

  /** Where the first span stands that ends at this byte or later; past the last one when there is none. */
  #firstEndingFrom(byte: number): [at: number, place: number] {
    const blocks = this.#blocks
    const at = least(blocks.length, (block) => (blocks[block]?.at(-1) ?? 0) >= byte)
    const spans = blocks[at] ?? []
    return [at, 2 * least(spans.length / 2, (span) => (spans[2 * span + 1] ?? 0) >= byte)]
  }

  #put(at: number, place: number, first: number, end: number): void {
    const blocks = this.#blocks
    // What comes after the last span of a block goes to its end: the next block's front would be shifted instead.
    const before = place === 0 ? at - 1 : at
    const block = blocks[before] ?? blocks[at]
    if (block === undefined) {
      this.#blocks = [[first, end]]
      return
    }
    block.splice(blocks[before] === undefined ? 0 : place === 0 ? block.length : place, 0, first, end)
    if (block.length <= 2 * SPANS_A_BLOCK) return
    // Full at its end, spans come in order: the block stays full, and the next one begins.
    const half = block.at(-1) === end ? block.length - 2 : SPANS_A_BLOCK
    blocks.splice(blocks.indexOf(block) + 1, 0, block.splice(half))
  }
}

/** The least number below `count` of which it is so; `count` when it is of none. What is so of one is so of the next. */
function least(count: number, isSo: (number: number) => boolean): number {
  let from = 0
  let to = count
  while (from < to) {
    const middle = (from + to) >>> 1
    if (isSo(middle)) to = middle
    else from = middle + 1
  }
  return from
}

export function overlap(a: Span, b: Span): boolean {
  return Math.max(a.first, b.first) < Math.min(a.end, b.end)
}
