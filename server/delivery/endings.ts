/**
 * How a fetch with a body ends, as an explicit state machine over what was seen. Pure: timers, sockets and the
 * send queue are the caller's. Never claims more than was seen.
 *
 *   sending ──all handed──▶ waiting ──client closes──▶ checking ──queue empty or not shown──▶ delivered
 *      │                      │                          │
 *      │ client closes first  │                          └─queue not empty─▶ draining ──empty──▶ unconfirmed
 *      ▼                      │                                                 ▲                (acknowledged)
 *   sending, closed early ────┼──────────────all handed──────────────────────────┘
 *                             │
 *                             └─queue empty──▶ waiting, acknowledged ──client closes──▶ checking
 *
 *   What looks like a close in order may be none: where a client sends some bytes and then resets, libuv reports an end
 *   of stream (a partial read and then POLLHUP). So the kernel must still list the connection, also where its queue was
 *   seen empty before.
 *
 *   After the last byte was handed over: the client's own program acknowledges it: delivered, and no close is waited
 *   for; reset by the client: reset-late; no close in time, the connection vanished, or no word: unconfirmed.
 *
 *   lost or silent while sending, or the client says that it gives up, whenever that is: cut; but headers-only when it
 *   says so before a byte was handed over.   Our own reset, at any time before the end: withdrawn.
 */
import type { Ending } from '../ledger/ending-names.ts'

export type Phase =
  | 'sending'
  | 'sending, closed early'
  | 'waiting'
  | 'waiting, acknowledged'
  | 'checking'
  | 'draining'
  | 'ended'

export type Seen =
  | { readonly kind: 'all handed' }
  | { readonly kind: 'client closed' }
  /** ECONNRESET, EPIPE, a lost link: the connection is gone without an orderly close. */
  | { readonly kind: 'lost'; readonly why: string }
  /** The client's own program has the last byte and says so. */
  | { readonly kind: 'acknowledged' }
  /** The client itself says that it gives up. `handed`: some byte was handed over before. */
  | { readonly kind: 'gave up'; readonly why: string; readonly handed: boolean }
  /** Nothing was heard from the client for too long. */
  | { readonly kind: 'silent'; readonly why: string }
  | { readonly kind: 'queue'; readonly state: 'empty' | 'not empty' | 'not shown' | 'vanished' }
  | { readonly kind: 'time-out' }
  | { readonly kind: 'withdrawn'; readonly why: string }

export interface EndingState {
  readonly phase: Phase
  readonly ending?: Ending
  readonly acknowledged?: boolean
  readonly reason?: string
}

export const START: EndingState = Object.freeze({ phase: 'sending' })

const ended = (ending: Ending, more: { acknowledged?: boolean; reason?: string } = {}): EndingState => ({
  phase: 'ended',
  ending,
  ...more,
})

/** The one transition function. An event that cannot matter any more leaves the state as it is. */
export function see(state: EndingState, seen: Seen): EndingState {
  if (state.phase === 'ended') return state
  if (seen.kind === 'withdrawn') return ended('withdrawn', { reason: seen.why })
  if (seen.kind === 'gave up') return ended(seen.handed ? 'cut' : 'headers-only', { reason: seen.why })
  switch (state.phase) {
    case 'sending':
    case 'sending, closed early':
      return whileSending(state, seen)
    case 'waiting':
      if (seen.kind === 'client closed') return { phase: 'checking' }
      if (seen.kind === 'queue') return seen.state === 'empty' ? { phase: 'waiting, acknowledged' } : state
      break
    case 'waiting, acknowledged':
      if (seen.kind === 'client closed') return { phase: 'checking', acknowledged: true }
      break
    case 'checking':
      if (seen.kind === 'queue') {
        if (seen.state === 'empty' || seen.state === 'not shown') return ended('delivered')
        if (seen.state === 'not empty') return { phase: 'draining' }
        return state.acknowledged === true
          ? ended('unconfirmed', { acknowledged: true, reason: FORGOTTEN })
          : ended('unconfirmed', { reason: VANISHED })
      }
      break
    case 'draining':
      if (seen.kind === 'queue') {
        if (seen.state === 'empty') return ended('unconfirmed', { acknowledged: true, reason: CLOSED_FIRST })
        if (seen.state === 'not shown') return ended('unconfirmed', { reason: CLOSED_FIRST })
        if (seen.state === 'vanished') return ended('unconfirmed', { reason: VANISHED })
        return state
      }
      break
  }
  if (seen.kind === 'acknowledged') return ended('delivered', { acknowledged: true })
  if (seen.kind === 'lost') return ended('reset-late', { reason: seen.why })
  if (seen.kind === 'silent') return ended('unconfirmed', { reason: seen.why })
  if (seen.kind === 'time-out') {
    const { phase } = state
    const isClosed = phase === 'checking' || phase === 'draining'
    return ended('unconfirmed', {
      acknowledged: phase === 'waiting, acknowledged' || state.acknowledged === true,
      reason: isClosed ? CLOSED_FIRST : 'the client did not close',
    })
  }
  return state
}

export function isSending({ phase }: EndingState): boolean {
  return phase === 'sending' || phase === 'sending, closed early'
}

const VANISHED = 'the connection vanished before its send queue was seen empty'
const FORGOTTEN = 'the connection vanished as it was closed: whether normally or by a reset was not seen'
const CLOSED_FIRST = 'the client had closed its sending side before the last byte was taken'

function whileSending(state: EndingState, seen: Seen): EndingState {
  if (seen.kind === 'client closed') return { phase: 'sending, closed early' }
  if (seen.kind === 'all handed') return { phase: state.phase === 'sending' ? 'waiting' : 'draining' }
  if (seen.kind === 'lost' || seen.kind === 'silent') return ended('cut', { reason: seen.why })
  if (seen.kind === 'time-out') return ended('withdrawn', { reason: 'the client took no byte for too long' })
  return state
}
