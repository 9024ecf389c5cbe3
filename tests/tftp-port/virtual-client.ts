/**
 * A client of our own, written from RFC 1350, RFC 2347 and RFC 7440 alone, for virtual time: it shares no line with the
 * server, reads bytes by itself, repeats itself, and may dally after its last acknowledgement (RFC 1350 §6).
 */
import type { VirtualTime } from './virtual-network.ts'

export interface ClientTerms {
  readonly blockBytes: number
  readonly windowBlocks: number
  /** An option acknowledgement is awaited first. */
  readonly optionsAsked: boolean
  /** Listens on after its last acknowledgement, in case that is lost (RFC 1350 §6); many small clients do not. */
  readonly dallies: boolean
}

export interface VirtualClient {
  arrive(packet: Uint8Array): void
  readonly received: () => Buffer
  readonly done: boolean
  readonly gaveUp: boolean
}

const REPEAT_MS = 1_000
const REPEATS = 12

export function createVirtualClient(
  terms: ClientTerms,
  time: VirtualTime,
  send: (packet: Uint8Array, last: boolean) => void,
): VirtualClient {
  const blocks: Buffer[] = []
  let expected = terms.optionsAsked ? 0 : 1
  let inWindow = 0
  let gapTold = false
  let done = false
  let gaveUp = false
  let repeats = 0
  let repeatAt = 0
  let armed = false

  function acknowledge(): void {
    const number = expected - 1
    inWindow = 0
    const packet = Buffer.from([0, 4, (number >> 8) & 0xff, number & 0xff])
    send(packet, done)
    if (!done) wait()
  }

  function wait(): void {
    repeatAt = time.now() + REPEAT_MS
    if (!armed) arm()
  }

  /** One timer at a time; it sees for itself whether it came too early. */
  function arm(): void {
    armed = true
    time.after(repeatAt - time.now(), () => {
      armed = false
      if (done) return
      if (time.now() < repeatAt) arm()
      else repeat()
    })
  }

  function repeat(): void {
    repeats += 1
    if (repeats > REPEATS) gaveUp = true
    else if (expected > (terms.optionsAsked ? 0 : 1)) acknowledge()
    else wait()
  }

  function data(number: number, bytes: Buffer): void {
    const wanted = expected & 0xffff
    if (number === wanted && !done) {
      blocks.push(Buffer.from(bytes))
      expected += 1
      inWindow += 1
      gapTold = false
      repeats = 0
      done = bytes.length < terms.blockBytes
      if (done || inWindow === terms.windowBlocks) acknowledge()
      else wait()
      return
    }
    // The last one again: our acknowledgement was lost. One further on: some were lost, told once.
    if (number === ((expected - 1) & 0xffff) && expected > 1) acknowledge()
    else if (!done && !gapTold && ((number - wanted) & 0xffff) < terms.windowBlocks && expected > 1) {
      gapTold = true
      acknowledge()
    }
  }

  wait()
  return {
    arrive(packet) {
      if (gaveUp || (done && !terms.dallies)) return
      const bytes = Buffer.from(packet)
      const opcode = bytes.readUInt16BE(0)
      if (opcode === 6 && expected <= 1 && terms.optionsAsked) {
        expected = 1
        acknowledge()
      } else if (opcode === 3 && expected > 0) data(bytes.readUInt16BE(2), bytes.subarray(4))
      else if (opcode === 5) gaveUp = true
    },
    received: () => Buffer.concat(blocks),
    get done() {
      return done
    },
    get gaveUp() {
      return gaveUp
    },
  }
}
