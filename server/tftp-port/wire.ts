/**
 * One transfer as delivery sees it: the state machine with its bytes, its timer and its sendings. The socket is passed
 * in. No queue builds up: more is taken only when the system has what was handed over, and the window has room.
 */
import type { Wire } from '../delivery/fetch.ts'
import { createBlockWindow } from './block-window.ts'
import type { Granted } from './options.ts'
import { ERROR_CODE, type Packet, writeError, writeOptionAck } from './packets.ts'
import { startTransfer, step, type TransferEnd, type TransferEvent, type TransferState } from './transfer.ts'

interface TransferDeps {
  readonly granted: Granted
  /** How many are promised. */
  readonly bytes: number
  /** To the client, from the transfer's own port; `done` once the system has it, or will not take it. */
  readonly send: (packet: Uint8Array, done: (error?: Error | null) => void) => void
  /** Monotonic, ms. */
  readonly clock: () => number
  readonly after: (ms: number, act: () => void) => () => void
  /** It is over, and nothing more is sent. */
  readonly onEnd: () => void
}

export type Transfer = ReturnType<typeof createTransfer>

/** Handed to the system and not taken yet: a network card that stands still must not gather copies of a window. */
const UNTAKEN_AT_MOST = 16

export function createTransfer(deps: TransferDeps) {
  // Long: one transfer over one state, a function for each thing that may come.
  const { granted, bytes, clock } = deps
  const window = createBlockWindow(granted.terms, bytes)
  const state = startTransfer(granted.terms, bytes, granted.options.length > 0, clock())
  let listener: Parameters<Wire['watch']>[0] | undefined
  let mayBegin: (() => void) | undefined
  let askedForMore: (() => void) | undefined
  let untaken = 0
  let sendFault: string | undefined
  let timer: { readonly at: number; readonly cancel: () => void } | undefined

  function see(event: TransferEvent): void {
    const before = state.phase
    const send = step(state, event, clock())
    const { phase, end } = state
    if (send?.kind === 'option ack') handOver(writeOptionAck(granted.options))
    else if (send?.kind === 'blocks') for (let at = send.first; at <= send.last; at += 1) sendBlock(at)
    else if (send?.kind === 'error') handOver(writeError(ERROR_CODE.notDefined, send.text))
    arm()
    if (before === 'agreeing' && phase === 'sending') startSending()
    if (end !== undefined && before !== 'ended') finish(end)
    else giveMore()
  }

  function startSending(): void {
    if (bytes === 0) see({ kind: 'ready', block: window.ready })
    mayBegin?.()
    mayBegin = undefined
  }

  function sendBlock(block: number): void {
    const { packet, sent } = window.take(block)
    handOver(packet, sent)
  }

  function handOver(packet: Uint8Array, sent?: () => void): void {
    untaken += 1
    deps.send(packet, (error) => {
      untaken -= 1
      sent?.()
      // Like a packet that was lost on the way: the clock decides, and the reason tells of it.
      sendFault = error == null ? undefined : error.message
      giveMore()
    })
  }

  function giveMore(): void {
    if (askedForMore === undefined || untaken >= UNTAKEN_AT_MOST || window.room(state.acked) === 0) return
    const asked = askedForMore
    askedForMore = undefined
    asked()
  }

  /** One timer, set anew only when it would come too late: most acknowledgements move its time further away. */
  function arm(): void {
    if (timer !== undefined && timer.at <= state.dueAt) return
    timer?.cancel()
    timer = undefined
    if (state.dueAt === Number.POSITIVE_INFINITY) return
    const at = state.dueAt
    const cancel = deps.after(Math.ceil(Math.max(0, at - clock())), () => {
      timer = undefined
      see({ kind: 'time', leaving: untaken > 0 })
    })
    timer = { at, cancel }
  }

  function finish(end: TransferEnd): void {
    timer?.cancel()
    timer = undefined
    tell(end)
    deps.onEnd()
  }

  function tell(end: TransferEnd): void {
    if (end.kind === 'acknowledged') listener?.acknowledged()
    else if (end.kind === 'client error') listener?.gaveUp(saidByClient(end))
    else if (end.kind === 'asked anew') listener?.gaveUp('the client sent another request from the same port')
    else if (end.kind === 'silent') listener?.silent(silence(end.ms, sendFault))
  }

  const wire: Wire = {
    room: () => window.room(state.acked),
    write(piece, taken) {
      window.put(piece)
      // Room for the last byte says nothing of room for more.
      const last = window.ready === state.lastBlock
      if (!last) askedForMore = taken
      see({ kind: 'ready', block: window.ready })
      if (last) taken()
    },
    end: (piece, taken) => wire.write(piece, taken),
    endOfStream: () => undefined,
    release: () => see({ kind: 'stop', why: 'no acknowledgement of the last block came' }),
    reset: (why) => see({ kind: 'stop', why }),
    watch(told) {
      listener = told
      if (state.end !== undefined) tell(state.end)
    },
    whenReady(go) {
      if (state.phase === 'sending') go()
      else mayBegin = go
    },
    resent: () => state.resent,
  }

  return {
    wire,
    /** What was granted, as it stands on record. */
    options: Object.fromEntries(granted.options.map(({ name, value }) => [name, value])),
    /** Sends what comes first: the option acknowledgement, or block 1 once its bytes are there. */
    begin(): void {
      see({ kind: 'begin' })
      if (state.phase === 'sending') startSending()
    },
    /** A packet of this client's. */
    take(packet: Packet): void {
      if (packet.kind === 'ack') see({ kind: 'ack', block: packet.block })
      else if (packet.kind === 'error') see({ kind: 'error', code: packet.code, text: packet.text })
    },
    /** Its client has sent another request. Nothing more is sent to it from here. */
    askedAnew: (): void => see({ kind: 'asked anew' }),
    /** As it is at any moment. */
    state: state as Readonly<TransferState>,
  }
}

function saidByClient({ code, text }: { code: number; text: string }): string {
  return `the client sent error ${code}${text === '' ? '' : `: ${text}`}`
}

function silence(ms: number, sendFault: string | undefined): string {
  const fault = sendFault === undefined ? '' : ` (sending failed: ${sendFault})`
  return `no answer from the client for ${Math.round(ms / 1000)} s${fault}`
}
