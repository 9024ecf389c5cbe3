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
  readonly end: TransferEnd | undefined
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
    end: undefined,
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

/** A copy that one transition changes: copying anew with each of its steps cost a third of serving small blocks. */
type Draft = { -readonly [Member in keyof TransferState]: TransferState[Member] }

/** The one transition function. What cannot matter any more leaves the state as it is. */
export function step(state: TransferState, event: TransferEvent, now: number): Step {
  if (state.phase === 'ended') return { state }
  const next = draftOf(state)
  const send = see(next, event, now)
  return send === undefined ? { state: next } : { state: next, send }
}

/** Spread, the engine copies so many members one by one in its slow way. */
function draftOf(state: TransferState): Draft {
  return {
    phase: state.phase,
    end: state.end,
    terms: state.terms,
    lastBlock: state.lastBlock,
    acked: state.acked,
    sent: state.sent,
    reached: state.reached,
    ready: state.ready,
    proved: state.proved,
    tries: state.tries,
    heardAt: state.heardAt,
    dueAt: state.dueAt,
    roundTrip: state.roundTrip,
    timed: state.timed,
    resent: state.resent,
  }
}

function see(next: Draft, event: TransferEvent, now: number): Sending | undefined {
  switch (event.kind) {
    case 'begin':
      return next.phase === 'agreeing' ? sendOptions(next, now) : sendOn(next, now)
    case 'ready':
      next.ready = event.block
      return sendOn(next, now)
    case 'ack':
      return next.phase === 'agreeing' ? agreed(next, event.block, now) : acknowledged(next, event.block, now)
    case 'error':
      return end(next, { kind: 'client error', code: event.code, text: event.text })
    case 'time':
      return now < next.dueAt ? undefined : timedOut(next, event.leaving, now)
    case 'asked anew':
      return end(next, { kind: 'asked anew' })
    case 'stop':
      end(next, { kind: 'stopped' })
      return { kind: 'error' }
  }
}

function end(next: Draft, how: TransferEnd): undefined {
  next.phase = 'ended'
  next.end = how
  next.dueAt = Number.POSITIVE_INFINITY
}

function sendOptions(next: Draft, now: number): Sending {
  const again = next.tries > 0
  next.tries += 1
  next.timed = again ? undefined : { block: 0, at: now }
  if (again) next.resent += 1
  waitFrom(next, now)
  return { kind: 'option ack' }
}

/** ACK 0 answers the options (RFC 2347); any other number answers nothing that was sent. */
function agreed(next: Draft, block: number, now: number): Sending | undefined {
  if (block !== 0) return undefined
  heard(next, now, 0)
  next.phase = 'sending'
  return sendOn(next, now)
}

function acknowledged(next: Draft, number: number, now: number): Sending | undefined {
  const block = next.acked + ((number - next.acked) & 0xffff)
  // An acknowledgement seen before must bring forth no block again: each copy of it would breed a copy of all that
  // follows (the sorcerer's apprentice, RFC 1123 §4.2.3.1). What was lost the clock brings back.
  if (block === next.acked || block > next.reached) {
    next.heardAt = now
    return undefined
  }
  heard(next, now, block)
  // Less than was sent: the client misses the next one, and the window begins anew behind it (RFC 7440 §4).
  next.acked = block
  next.sent = block
  return block === next.lastBlock ? end(next, { kind: 'acknowledged' }) : sendOn(next, now)
}

/** Whatever the window has room for and bytes are at hand for. */
function sendOn(next: Draft, now: number): Sending | undefined {
  if (next.phase !== 'sending') return undefined
  const last = Math.min(next.ready, next.acked + next.terms.windowBlocks)
  if (last <= next.sent) {
    if (next.acked >= next.sent) waitFrom(next, now)
    return undefined
  }
  const first = next.sent + 1
  next.resent += Math.max(0, Math.min(last, next.reached) - next.sent)
  next.timed = timedAfter(next, first, last, now)
  next.sent = last
  next.reached = Math.max(next.reached, last)
  next.tries = Math.max(1, next.tries)
  waitFrom(next, now)
  return { kind: 'blocks', first, last }
}

function timedOut(next: Draft, leaving: boolean, now: number): Sending | undefined {
  const silentMs = now - next.heardAt
  const gaveUp = next.proved ? silentMs >= silenceMs(next) : next.tries >= UNPROVED_SENDINGS
  if (gaveUp) return end(next, { kind: 'silent', ms: silentMs })
  if (leaving) {
    // What has not left cannot have been answered.
    waitFrom(next, now)
    return undefined
  }
  if (next.terms.timeoutMs === undefined) next.roundTrip = backedOff(next.roundTrip)
  if (next.phase === 'agreeing') return sendOptions(next, now)
  const { acked, sent } = next
  next.tries += 1
  next.timed = undefined
  next.resent += sent - acked
  waitFrom(next, now)
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
function heard(next: Draft, now: number, block: number): void {
  const { timed } = next
  next.proved = true
  next.tries = 0
  next.heardAt = now
  if (timed === undefined || block < timed.block) return
  next.timed = undefined
  // The client's own time-out is obeyed (RFC 2349).
  if (next.terms.timeoutMs === undefined) next.roundTrip = measured(next.roundTrip, now - timed.at)
}

function silenceMs({ terms }: TransferState): number {
  return Math.max(SILENCE_MS, (terms.timeoutMs ?? 0) * SILENCE_TIMEOUTS)
}

/** Nothing is waited for while nothing is out. */
function waitFrom(next: Draft, now: number): void {
  const out = next.phase === 'agreeing' || next.sent > next.acked
  const again = now + next.roundTrip.timeoutMs
  if (!out) next.dueAt = Number.POSITIVE_INFINITY
  else next.dueAt = next.proved ? Math.min(again, next.heardAt + silenceMs(next)) : again
}
