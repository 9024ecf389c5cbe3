/**
 * Two ends and a lossy relay between them in virtual time: seeded, so that a run can be repeated. Nothing here waits
 * for a real clock.
 */

import { vi } from 'vitest'

/** Numbers in [0, 1) from a seed (mulberry32, public domain). */
export function createRandom(seed: number): () => number {
  let state = seed >>> 0
  return () => {
    state = (state + 0x6d2b79f5) >>> 0
    let mixed = Math.imul(state ^ (state >>> 15), state | 1)
    mixed ^= mixed + Math.imul(mixed ^ (mixed >>> 7), mixed | 61)
    return ((mixed ^ (mixed >>> 14)) >>> 0) / 4_294_967_296
  }
}

export interface VirtualTime {
  readonly now: () => number
  after(ms: number, act: () => void): () => void
  /** Until nothing is due any more. What is put off to the next turn meanwhile takes no time here either. */
  run(): Promise<void>
}

interface Due {
  readonly at: number
  act: (() => void) | undefined
}

export function createVirtualTime(): VirtualTime {
  const queue: Due[] = []
  let now = 0

  function after(ms: number, act: () => void): () => void {
    const due: Due = { at: now + Math.max(0, ms), act }
    let at = queue.length
    while (at > 0 && (queue[at - 1]?.at ?? 0) > due.at) at -= 1
    queue.splice(at, 0, due)
    return () => {
      due.act = undefined
    }
  }

  return {
    now: () => now,
    after,
    async run() {
      const nextTurn = setImmediate
      vi.stubGlobal('setImmediate', (act: () => void) => after(0, act))
      try {
        // Promises that are still to be kept show after a real turn alone.
        for (let idle = false; !idle; await new Promise<void>((turn) => nextTurn(turn))) {
          idle = queue.length === 0
          for (let due = queue.shift(); due !== undefined; due = queue.shift()) {
            if (due.act === undefined) continue
            now = due.at
            due.act()
            await undefined
          }
        }
      } finally {
        vi.unstubAllGlobals()
      }
    },
  }
}

export interface Weather {
  /** Shares of packets, 0 to 1. */
  readonly lost: number
  readonly doubled: number
  /** Of so many the delay is longer, up to three times: others overtake them. */
  readonly late: number
  readonly delayMs: number
}

/** Carries a packet, or not, or twice, sooner or later. */
export function createRelay(
  time: VirtualTime,
  random: () => number,
  { lost, doubled, late, delayMs }: Weather,
): (packet: Uint8Array, arrive: (packet: Uint8Array) => void) => void {
  return (packet, arrive) => {
    const copies = random() < doubled ? 2 : 1
    for (let copy = 0; copy < copies; copy += 1) {
      if (random() < lost) continue
      const bytes = Uint8Array.from(packet)
      const longer = random() < late ? 2 * random() : 0
      time.after(delayMs * (1 + longer), () => arrive(bytes))
    }
  }
}
