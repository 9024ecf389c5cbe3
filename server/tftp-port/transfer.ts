/**
 * One transfer to one client as an explicit state machine (RFC 1350 §6, RFC 2347, RFC 7440): what was seen, the clock
 * beside it, moves its state on, and out comes at most one sending. Sockets, timers and bytes are the caller's.
 *
 *   agreeing ──ACK 0──▶ sending ──ACK of the last block──▶ ended: acknowledged
 *      │                   │
 *      │                   ├─ ERROR of the client ──▶ ended: refused by the client
 *      ├─ ERROR ───────────┼─ nothing heard ────────▶ ended: silent
 *      ├─ nothing heard    ├─ another request ──────▶ ended: asked anew
 *      └─ another request  └─ told to stop ─────────▶ ended: stopped (an ERROR is sent)
 *
 * Blocks are counted on from 1 and never wrap here; on the wire they have 16 bits.
 */
import type { Terms } from './options.ts'
import { backedOff, measured, UNMEASURED } from './round-trip.ts'

export type TransferEnd =
  | { readonly kind: 'acknowledged' }
  | { readonly kind: 'client error'; readonly code: number; readonly text: string }
  | { readonly kind: 'silent'; readonly ms: number }
  /** From the same port came another request, which is answered by another transfer. */
  | { readonly kind: 'asked anew' }
  | { readonly kind: 'stopped' }

export type TransferEvent =
  | { readonly kind: 'begin' }
  /** The bytes of all blocks up to this one are at hand. */
  | { readonly kind: 'ready'; readonly block: number }
  /** As it came: 16 bits. */
  | { readonly kind: 'ack'; readonly block: number }
  | { readonly kind: 'error'; readonly code: number; readonly text: string }
  /** `leaving`: the system has not taken all yet that was handed over. */
  | { readonly kind: 'time'; readonly leaving: boolean }
  | { readonly kind: 'asked anew' }
  | { readonly kind: 'stop'; readonly why: string }

type Sending =
  | { readonly kind: 'option ack' }
  | { readonly kind: 'blocks'; readonly first: number; readonly last: number }
  | { readonly kind: 'error'; readonly text: string }

/** Before the first answer: what a forged address can be made to get. */
const UNPROVED_SENDINGS = 5
/** The most patient small client known repeats itself every 10 s, five times (lwIP, `apps/tftp/tftp.c`). */
const SILENCE_MS = 50_000
/** A client that asks for slow repetition gets as many. */
const SILENCE_TIMEOUTS = 5

export type TransferState = ReturnType<typeof startTransfer>

export function startTransfer(terms: Terms, bytes: number, agreeing: boolean, now: number) {
  const { timeoutMs } = terms
  return {
    phase: (agreeing ? 'agreeing' : 'sending') as 'agreeing' | 'sending' | 'ended',
    end: undefined as TransferEnd | undefined,
    terms,
    lastBlock: lastBlockOf(bytes, terms),
    acked: 0,
    /** The furthest block sent; after a gap it is set back. */
    sent: 0,
    /** The furthest block ever sent. */
    reached: 0,
    /** The furthest block whose bytes are at hand. */
    ready: 0,
    /** The client has answered from its own port: what was sent did not go to a forged address. */
    proved: false,
    /** Sendings of what is waited for, one after the other, without an answer. */
    tries: 0,
    heardAt: now,
    /** Act then, unless something comes before; Infinity: nothing is waited for. */
    dueAt: Number.POSITIVE_INFINITY,
    roundTrip: timeoutMs === undefined ? UNMEASURED : { ...UNMEASURED, timeoutMs },
    /** A block sent once so far, and when: its acknowledgement measures the round trip. */
    timed: undefined as { readonly block: number; readonly at: number } | undefined,
    /** Blocks and option acknowledgements sent more than once. */
    resent: 0,
  }
}

/** The short one: a last block that is full would not end anything, so an empty one follows (RFC 1350 §6). */
export function lastBlockOf(bytes: number, { blockBytes }: Terms): number {
  return Math.floor(bytes / blockBytes) + 1
}

/** The one transition function. What cannot matter any more leaves the state as it is. */
export function step(state: TransferState, event: TransferEvent, now: number): Sending | undefined {
  if (state.phase === 'ended') return undefined
  switch (event.kind) {
    case 'begin':
      return state.phase === 'agreeing' ? sendOptions(state, now) : sendOn(state, now)
    case 'ready':
      state.ready = event.block
      return sendOn(state, now)
    case 'ack':
      return state.phase === 'agreeing'
        ? agreed(state, event.block, now)
        : acknowledged(state, event.block, now)
    case 'error':
      return end(state, { kind: 'client error', code: event.code, text: event.text })
    case 'time':
      return now < state.dueAt ? undefined : timedOut(state, event.leaving, now)
    case 'asked anew':
      return end(state, { kind: 'asked anew' })
    case 'stop':
      end(state, { kind: 'stopped' })
      return { kind: 'error', text: event.why }
  }
}

function end(state: TransferState, how: TransferEnd): undefined {
  state.phase = 'ended'
  state.end = how
  state.dueAt = Number.POSITIVE_INFINITY
}

function sendOptions(state: TransferState, now: number): Sending {
  const again = state.tries > 0
  state.tries += 1
  state.timed = again ? undefined : { block: 0, at: now }
  if (again) state.resent += 1
  waitFrom(state, now)
  return { kind: 'option ack' }
}

/** ACK 0 answers the options (RFC 2347); any other number answers nothing that was sent. */
function agreed(state: TransferState, block: number, now: number): Sending | undefined {
  if (block !== 0) return undefined
  heard(state, now, 0)
  state.phase = 'sending'
  return sendOn(state, now)
}

function acknowledged(state: TransferState, number: number, now: number): Sending | undefined {
  const block = state.acked + ((number - state.acked) & 0xffff)
  // An acknowledgement seen before must bring forth no block again: each copy of it would breed a copy of all that
  // follows (the sorcerer's apprentice, RFC 1123 §4.2.3.1). What was lost the clock brings back.
  if (block === state.acked || block > state.reached) {
    state.heardAt = now
    return undefined
  }
  heard(state, now, block)
  // Less than was sent: the client misses the next one, and the window begins anew behind it (RFC 7440 §4).
  state.acked = block
  state.sent = block
  return block === state.lastBlock ? end(state, { kind: 'acknowledged' }) : sendOn(state, now)
}

/** Whatever the window has room for and bytes are at hand for. */
function sendOn(state: TransferState, now: number): Sending | undefined {
  if (state.phase !== 'sending') return undefined
  const last = Math.min(state.ready, state.acked + state.terms.windowBlocks)
  if (last <= state.sent) {
    if (state.acked >= state.sent) waitFrom(state, now)
    return undefined
  }
  const first = state.sent + 1
  state.resent += Math.max(0, Math.min(last, state.reached) - state.sent)
  state.timed = timedAfter(state, first, last, now)
  state.sent = last
  state.reached = Math.max(state.reached, last)
  state.tries = Math.max(1, state.tries)
  waitFrom(state, now)
  return { kind: 'blocks', first, last }
}

function timedOut(state: TransferState, leaving: boolean, now: number): Sending | undefined {
  const silentMs = now - state.heardAt
  const gaveUp = state.proved ? silentMs >= silenceMs(state) : state.tries >= UNPROVED_SENDINGS
  if (gaveUp) return end(state, { kind: 'silent', ms: silentMs })
  if (leaving) {
    // What has not left cannot have been answered.
    waitFrom(state, now)
    return undefined
  }
  if (state.terms.timeoutMs === undefined) state.roundTrip = backedOff(state.roundTrip)
  if (state.phase === 'agreeing') return sendOptions(state, now)
  const { acked, sent } = state
  state.tries += 1
  state.timed = undefined
  state.resent += sent - acked
  waitFrom(state, now)
  return { kind: 'blocks', first: acked + 1, last: sent }
}

/**
 * Karn's rule (RFC 6298 §3): only the acknowledgement of a block sent once says how long the way is. The first new one is
 * taken: behind a gap the client acknowledges less than the whole window.
 */
function timedAfter(
  { timed, reached }: TransferState,
  first: number,
  last: number,
  now: number,
): TransferState['timed'] {
  if (timed !== undefined && timed.block < first) return timed
  return last > reached ? { block: Math.max(first, reached + 1), at: now } : undefined
}

/** An answer that moves the transfer on. */
function heard(state: TransferState, now: number, block: number): void {
  const { timed } = state
  state.proved = true
  state.tries = 0
  state.heardAt = now
  if (timed === undefined || block < timed.block) return
  state.timed = undefined
  // The client's own time-out is obeyed (RFC 2349).
  if (state.terms.timeoutMs === undefined) state.roundTrip = measured(state.roundTrip, now - timed.at)
}

function silenceMs({ terms }: TransferState): number {
  return Math.max(SILENCE_MS, (terms.timeoutMs ?? 0) * SILENCE_TIMEOUTS)
}

/** Nothing is waited for while nothing is out. */
function waitFrom(state: TransferState, now: number): void {
  const out = state.phase === 'agreeing' || state.sent > state.acked
  const again = now + state.roundTrip.timeoutMs
  if (!out) state.dueAt = Number.POSITIVE_INFINITY
  else state.dueAt = state.proved ? Math.min(again, state.heardAt + silenceMs(state)) : again
}
