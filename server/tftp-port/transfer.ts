/**
 * One transfer to one client as an explicit state machine (RFC 1350 §6, RFC 2347, RFC 7440): what was seen, the clock
 * beside it, and out come the next state and at most one sending. Pure: sockets, timers and bytes are the caller's.
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
import { backedOff, measured, type RoundTrip, UNMEASURED } from './round-trip.ts'

export type TransferEnd =
  | { readonly kind: 'acknowledged' }
  | { readonly kind: 'client error'; readonly code: number; readonly text: string }
  | { readonly kind: 'silent'; readonly ms: number }
  /** From the same port came another request, which is answered by another transfer. */
  | { readonly kind: 'asked anew' }
  | { readonly kind: 'stopped' }

export interface TransferState {
  readonly phase: 'agreeing' | 'sending' | 'ended'
  readonly end?: TransferEnd
  readonly terms: Terms
  /** The number of the last block, the short one. */
  readonly lastBlock: number
  readonly acked: number
  /** The furthest block sent; after a gap it is set back. */
  readonly sent: number
  /** The furthest block ever sent. */
  readonly reached: number
  /** The furthest block whose bytes are at hand. */
  readonly ready: number
  /** The client has answered from its own port: what was sent did not go to a forged address. */
  readonly proved: boolean
  /** Sendings of what is waited for, one after the other, without an answer. */
  readonly tries: number
  readonly heardAt: number
  /** Act then, unless something comes before; Infinity: nothing is waited for. */
  readonly dueAt: number
  readonly roundTrip: RoundTrip
  /** A block sent once so far, and when: its acknowledgement measures the round trip. */
  readonly timed: { readonly block: number; readonly at: number } | undefined
  /** Blocks and option acknowledgements sent more than once. */
  readonly resent: number
}

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
  | { readonly kind: 'stop' }

type Sending =
  | { readonly kind: 'option ack' }
  | { readonly kind: 'blocks'; readonly first: number; readonly last: number }
  | { readonly kind: 'error' }

export interface Step {
  readonly state: TransferState
  readonly send?: Sending
}

/** Before the first answer: what a forged address can be made to get. */
const UNPROVED_SENDINGS = 5
/** The most patient small client known repeats itself every 10 s, five times (lwIP, `apps/tftp/tftp.c`). */
const SILENCE_MS = 50_000
/** A client that asks for slow repetition gets as many. */
const SILENCE_TIMEOUTS = 5

export function startTransfer(terms: Terms, bytes: number, agreeing: boolean, now: number): TransferState {
  const { timeoutMs } = terms
  return {
    phase: agreeing ? 'agreeing' : 'sending',
    terms,
    // A last block that is full would not end anything: an empty one follows (RFC 1350 §6).
    lastBlock: Math.floor(bytes / terms.blockBytes) + 1,
    acked: 0,
    sent: 0,
    reached: 0,
    ready: 0,
    proved: false,
    tries: 0,
    heardAt: now,
    dueAt: Number.POSITIVE_INFINITY,
    roundTrip: timeoutMs === undefined ? UNMEASURED : { ...UNMEASURED, timeoutMs },
    timed: undefined,
    resent: 0,
  }
}

/** The one transition function. What cannot matter any more leaves the state as it is. */
export function step(state: TransferState, event: TransferEvent, now: number): Step {
  if (state.phase === 'ended') return { state }
  switch (event.kind) {
    case 'begin':
      return state.phase === 'agreeing' ? sendOptions(state, now) : sendOn(state, now)
    case 'ready':
      return sendOn({ ...state, ready: event.block }, now)
    case 'ack':
      return state.phase === 'agreeing'
        ? agreed(state, event.block, now)
        : acknowledged(state, event.block, now)
    case 'error':
      return ended(state, { kind: 'client error', code: event.code, text: event.text })
    case 'time':
      return now < state.dueAt ? { state } : timedOut(state, event.leaving, now)
    case 'asked anew':
      return ended(state, { kind: 'asked anew' })
    case 'stop':
      return { ...ended(state, { kind: 'stopped' }), send: { kind: 'error' } }
  }
}

function ended(state: TransferState, end: TransferEnd): Step {
  return { state: { ...state, phase: 'ended', end, dueAt: Number.POSITIVE_INFINITY } }
}

function sendOptions(state: TransferState, now: number): Step {
  const again = state.tries > 0
  const next: TransferState = {
    ...state,
    tries: state.tries + 1,
    timed: again ? undefined : { block: 0, at: now },
    resent: state.resent + (again ? 1 : 0),
  }
  return { state: waiting(next, now), send: { kind: 'option ack' } }
}

/** ACK 0 answers the options (RFC 2347); any other number answers nothing that was sent. */
function agreed(state: TransferState, block: number, now: number): Step {
  if (block !== 0) return { state }
  return sendOn({ ...heard(state, now, 0), phase: 'sending' }, now)
}

function acknowledged(state: TransferState, number: number, now: number): Step {
  const block = state.acked + ((number - state.acked) & 0xffff)
  // An acknowledgement seen before must bring forth no block again: each copy of it would breed a copy of all that
  // follows (the sorcerer's apprentice, RFC 1123 §4.2.3.1). What was lost the clock brings back.
  if (block === state.acked || block > state.reached) return { state: { ...state, heardAt: now } }
  // Less than was sent: the client misses the next one, and the window begins anew behind it (RFC 7440 §4).
  const moved: TransferState = { ...heard(state, now, block), acked: block, sent: block }
  return block === state.lastBlock ? ended(moved, { kind: 'acknowledged' }) : sendOn(moved, now)
}

/** Whatever the window has room for and bytes are at hand for. */
function sendOn(state: TransferState, now: number): Step {
  if (state.phase !== 'sending') return { state }
  const last = Math.min(state.ready, state.acked + state.terms.windowBlocks)
  if (last <= state.sent) return { state: state.acked < state.sent ? state : waiting(state, now) }
  const first = state.sent + 1
  const again = Math.max(0, Math.min(last, state.reached) - state.sent)
  const next: TransferState = {
    ...state,
    sent: last,
    reached: Math.max(state.reached, last),
    tries: Math.max(1, state.tries),
    timed: timedAfter(state, first, last, now),
    resent: state.resent + again,
  }
  return { state: waiting(next, now), send: { kind: 'blocks', first, last } }
}

function timedOut(state: TransferState, leaving: boolean, now: number): Step {
  const silentMs = now - state.heardAt
  const gaveUp = state.proved ? silentMs >= silenceMs(state) : state.tries >= UNPROVED_SENDINGS
  if (gaveUp) return ended(state, { kind: 'silent', ms: silentMs })
  // What has not left cannot have been answered.
  if (leaving) return { state: waiting(state, now) }
  const slower =
    state.terms.timeoutMs !== undefined ? state : { ...state, roundTrip: backedOff(state.roundTrip) }
  if (state.phase === 'agreeing') return sendOptions(slower, now)
  const { acked, sent } = state
  const again: TransferState = {
    ...slower,
    tries: state.tries + 1,
    timed: undefined,
    resent: state.resent + (sent - acked),
  }
  return { state: waiting(again, now), send: { kind: 'blocks', first: acked + 1, last: sent } }
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
function heard(state: TransferState, now: number, block: number): TransferState {
  const { timed, roundTrip } = state
  // The client's own time-out is obeyed (RFC 2349).
  const answered = timed !== undefined && block >= timed.block
  const measures = answered && state.terms.timeoutMs === undefined
  return {
    ...state,
    proved: true,
    tries: 0,
    heardAt: now,
    timed: answered ? undefined : timed,
    roundTrip: measures ? measured(roundTrip, now - timed.at) : roundTrip,
  }
}

function silenceMs({ terms }: TransferState): number {
  return Math.max(SILENCE_MS, (terms.timeoutMs ?? 0) * SILENCE_TIMEOUTS)
}

/** Nothing is waited for while nothing is out. */
function waiting(state: TransferState, now: number): TransferState {
  const out = state.phase === 'agreeing' || state.sent > state.acked
  if (!out) return { ...state, dueAt: Number.POSITIVE_INFINITY }
  const again = now + state.roundTrip.timeoutMs
  return { ...state, dueAt: state.proved ? Math.min(again, state.heardAt + silenceMs(state)) : again }
}
