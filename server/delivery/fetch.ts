/**
 * The life of one fetch with a body: verified pieces to the wire, our end of stream, the client's close, and the
 * ending that this evidence allows. Knows no protocol: the wire is whatever carries bytes to one client, and either
 * the system's send queue and an orderly close, or the client's own word, shows what it holds.
 */
import { messageOf } from '../errors.ts'
import type { Endpoints } from '../network/connection-keys.ts'
import type { SendQueueAnswer, SendQueues } from '../network/send-queue.ts'
import type { Piece } from './block-pieces.ts'
import type { HeldBlock, OpenedVersion } from './blocks.ts'
import { type EndingState, isSending, type Phase, type Seen, START, see } from './endings.ts'
import type { Turns } from './sending-turns.ts'

/** One connection to a client, as seen from delivery. */
export interface Wire {
  /** Its send queue shows what the client's system has; absent where the client's own program acknowledges. */
  readonly connection?: Endpoints
  /** Calls once the client may be sent bytes; absent: it may at once. */
  whenReady?(go: () => void): void
  /** The most bytes that it takes in one piece now; absent: any number. */
  room?(): number
  /**
   * `taken` is called once the operating system has all of the piece, and more may be written; never when the
   * connection fails before.
   */
  write(piece: Uint8Array, taken: () => void): void
  /** The last piece and our end of stream in one call. */
  end(piece: Uint8Array, taken: () => void): void
  /** Our end of stream alone. */
  endOfStream(): void
  /** Our end of stream, if it was not sent yet, and nothing more is read: the fetch has ended. */
  release(): void
  /** Resets the connection, so that no client takes a short body for a whole one. */
  reset(why: string): void
  /** What the client does, from now on; what it did before is told at once. */
  watch(listener: WireListener): void
  /** How much was sent again for want of an answer, where the wire itself sends again. */
  resent?(): number
}

interface WireListener {
  closed(): void
  lost(why: string): void
  /** The client's own program has acknowledged the last byte. */
  acknowledged(): void
  /** The client itself says that it gives up. */
  gaveUp(why: string): void
  /** Nothing was heard from the client for too long. */
  silent(why: string): void
}

interface FetchPlan {
  readonly opened: OpenedVersion
  /** Offset of the first byte and how many are promised (at least 1). */
  readonly first: number
  readonly promised: number
  readonly lingerMs: number
  /** Calls once when so many ms have passed in which this program ran; returns how to give it up. */
  readonly after: (ms: number, act: () => void) => () => void
  readonly turns: Pick<Turns, 'bytes' | 'wait'>
  readonly sendQueues: SendQueues
  /** Monotonic clock, ms. */
  readonly clock: () => number
  readonly onSeen: (seen: Seen, phase: Phase) => void
  /** The operating system has every byte; the client's close is waited for. */
  readonly onHandedOver: () => void
  readonly onEnd: (end: FetchEnd) => void
  /** A block did not match or could not be read. */
  readonly onFault: (error: unknown) => void
}

export interface FetchEnd {
  readonly state: EndingState
  readonly bytesHandedOver: number
  readonly firstByteMs: number | undefined
  readonly lastByteMs: number | undefined
  readonly acknowledgedMs: number | undefined
  readonly durationMs: number
  readonly resent: number | undefined
}

export type RunningFetch = ReturnType<typeof createFetch>

/** The system takes a piece at once as long as it has room, and else when the client's has taken some. */
const ROOM_MADE_MS = 50
const QUEUE_POLL_FIRST_MS = 10
const QUEUE_POLL_MAX_MS = 1_000
const ABSENCES_BELIEVED = 3
const FIRST_LOOK_MS = 10
/** Devices that read until we close are kept no longer, however long a look at the send queues takes. */
const END_OF_STREAM_MS = 300
const SHORT_TURN_MS = 0.5
const GIVE_WAY_MS = 30
/** A look that takes longer was kept waiting by a busy machine. */
const QUICK_LOOK_MS = 10

export function createFetch(plan: FetchPlan) {
  // Long: one fetch over one state, a function for each thing that may come, in that order.
  const { opened, clock } = plan
  const { version } = opened
  const end = plan.first + plan.promised
  const begunAt = clock()
  let state = START
  let wire: Wire | undefined
  let offset = plan.first
  let bytesThisTurn = 0
  let movedAt = begunAt
  let handedAt = begunAt
  let wentOn = 0
  let firstByteAt: number | undefined
  let lastByteAt: number | undefined
  let acknowledgedAt: number | undefined
  let stopLingering: (() => void) | undefined
  let polling: NodeJS.Timeout | undefined
  let looking: NodeJS.Timeout | undefined
  let endingStream: NodeJS.Timeout | undefined
  let streamEnded = !plan.sendQueues.supported
  let queueShown = false
  let isBusy = false
  let absences = 0

  function note(seen: Seen): void {
    const before = state.phase
    state = see(state, seen)
    plan.onSeen(seen, state.phase)
    if (state.phase === before) return
    if (state.phase === 'waiting, acknowledged') acknowledgedAt = clock()
    if (state.phase === 'ended') finish()
    else if (state.phase === 'checking' || (state.phase === 'draining' && before !== 'checking')) askQueue(0)
    // Once it is closed by us too, the kernel forgets the connection: it is looked for before.
    if (state.phase === 'checking' && queueShown && !streamEnded) endStreamWithin(END_OF_STREAM_MS)
  }

  function pump(): void {
    if (state.phase === 'ended' || wire === undefined) return
    const index = Math.floor(offset / version.blockBytes)
    const pieces = opened.at(index)
    if (pieces !== undefined) hand(pieces, index, wire)
    else opened.load(index).then((block) => handLoaded(block, index), fault)
  }

  function handLoaded(block: HeldBlock, index: number): void {
    if (state.phase !== 'ended' && wire !== undefined) hand(block.pieces, index, wire)
    block.letGo()
  }

  /** Between pieces nothing of the block is held: a client that stops reading pins the piece that it was handed. */
  function hand(pieces: readonly Piece[], index: number, to: Wire): void {
    const at = offset - index * version.blockBytes
    if (at === 0 && (index + 1) * version.blockBytes < end) opened.readAhead(index + 1)
    const { piece, bytes } = pieceAt(
      pieces,
      at,
      Math.min(end - offset, to.room?.() ?? Number.POSITIVE_INFINITY),
    )
    // Held until the system has it: a write that fails keeps its piece from ever being used again.
    const letGo = piece.hold()
    handedAt = clock()
    firstByteAt ??= handedAt
    offset += bytes.byteLength
    bytesThisTurn += bytes.byteLength
    const last = offset === end
    const gone = (): void => {
      letGo()
      if (last) allTaken()
      else taken()
    }
    if (last && !queueShown) to.end(bytes, gone)
    else to.write(bytes, gone)
  }

  function taken(): void {
    movedAt = clock()
    if (movedAt - handedAt >= ROOM_MADE_MS) wentOn += 1
    if (bytesThisTurn < plan.turns.bytes) {
      pump()
    } else {
      bytesThisTurn = 0
      plan.turns.wait(pump)
    }
  }

  function allTaken(): void {
    movedAt = clock()
    lastByteAt = movedAt
    if (state.phase === 'ended') return
    stopLingering = plan.after(plan.lingerMs, () => note({ kind: 'time-out' }))
    note({ kind: 'all handed' })
    plan.onHandedOver()
    if (!queueShown) return
    endStreamWithin(END_OF_STREAM_MS)
    lookBeforeEnd(FIRST_LOOK_MS)
  }

  /**
   * Where the send queue is shown, our end of stream waits a moment for a quick client's close, and then until the
   * queue was seen empty, but never past its own time. The kernel forgets a connection at once when the client closed
   * first and we then close: its queue could not be seen any more. A close that has come may lie unread, for long on a
   * busy machine (with 10 ms alone one good client in ten was unconfirmed on two cores at a load of 8). Each look comes
   * twice as late as the one before was over: long tables are looked at once or twice.
   */
  function lookBeforeEnd(afterMs: number): void {
    looking = setTimeout(() => {
      if (state.phase !== 'waiting' || streamEnded || wire?.connection === undefined) return
      const askedAt = clock()
      plan.sendQueues.ask(wire.connection).then((answer) => {
        isBusy = clock() - askedAt > QUICK_LOOK_MS
        if (state.phase !== 'waiting') return
        // An absence says nothing: the table may skip an entry, and a reset shows by itself.
        if (answer.kind === 'listed') note(queueSeen(answer))
        if (state.phase === 'waiting') lookBeforeEnd(clock() - movedAt)
        else endStreamSoon()
      }, plan.onFault)
    }, afterMs)
  }

  function endStreamWithin(ms: number): void {
    clearTimeout(endingStream)
    endingStream = setTimeout(endStreamSoon, ms)
  }

  function endStreamSoon(): void {
    const { phase } = state
    // Who says so may speak in the middle of a turn: the first one that counts is the next.
    setImmediate(() => endStreamInShortTurn(phase, performance.now(), performance.now() + GIVE_WAY_MS))
  }

  /**
   * A close that has come meanwhile is read first: our own would make the kernel forget the connection. What comes during
   * a turn of the loop lies unread until the next one, so ours leaves at the end of a short one. (At the end of any, 3 of
   * some 470 devices that write flash before they close were unconfirmed, on two cores at a load of 8; so none of 2,090.)
   */
  function endStreamInShortTurn(before: Phase, turnBegan: number, atLast: number): void {
    setImmediate(() => {
      // A close that was read just now is looked into first; that has a time of its own.
      if (state.phase === 'ended' || (state.phase === 'checking' && before !== 'checking')) return
      const now = performance.now()
      const isShort = now - turnBegan <= SHORT_TURN_MS
      if (!isShort && now < atLast) endStreamInShortTurn(before, now, atLast)
      else if (isShort && !isBusy && state.phase === 'waiting, acknowledged') endStream()
      else endStreamAfterLook()
    })
  }

  /**
   * On a busy machine our time is over before the table's thread has had its turn, and the close that has come is read
   * late: one look right here. (At a load of 17 on two cores 2 of 60 good fetches were unconfirmed without it.)
   */
  function endStreamAfterLook(): void {
    const seen = wire?.connection && plan.sendQueues.askNow(wire.connection)
    // Its close lies unread, and it waits for nothing any more: ours would make the kernel forget the connection.
    if (seen?.state === 'CLOSE_WAIT' && state.phase !== 'checking') {
      endStreamWithin(END_OF_STREAM_MS)
      return
    }
    if (seen !== undefined) note(queueSeen({ kind: 'listed', ...seen }))
    if (state.phase !== 'ended') endStream()
  }

  function endStream(): void {
    if (streamEnded) return
    streamEnded = true
    wire?.endOfStream()
  }

  function pollQueue(delayMs: number): void {
    if (state.phase === 'ended') return
    polling = setTimeout(askQueue, delayMs, delayMs)
  }

  function askQueue(delayMs: number): void {
    if (wire?.connection === undefined) return
    plan.sendQueues.ask(wire.connection).then((answer) => {
      if (state.phase === 'ended') return
      absences = answer.kind === 'listed' ? 0 : absences + 1
      // The kernel's table may skip an entry while it changes: one absence says nothing.
      const unsure = absences > 0 && plan.sendQueues.supported && absences < ABSENCES_BELIEVED
      if (!unsure) note(queueSeen(answer))
      pollQueue(Math.min(QUEUE_POLL_MAX_MS, Math.max(QUEUE_POLL_FIRST_MS, unsure ? 0 : delayMs * 2)))
    }, plan.onFault)
  }

  function queueSeen(answer: SendQueueAnswer): Seen {
    if (answer.kind === 'unreadable') return { kind: 'queue', state: 'not shown' }
    if (answer.kind === 'listed') return { kind: 'queue', state: answer.queued === 0 ? 'empty' : 'not empty' }
    // Before our end of stream only a reset makes the kernel forget a connection.
    return streamEnded
      ? { kind: 'queue', state: 'vanished' }
      : { kind: 'lost', why: 'the client reset the connection' }
  }

  function fault(error: unknown): void {
    if (state.phase === 'ended') return
    plan.onFault(error)
    note({ kind: 'withdrawn', why: messageOf(error) })
  }

  function finish(): void {
    stopLingering?.()
    for (const timer of [polling, looking, endingStream]) clearTimeout(timer)
    opened.release()
    if (state.ending === 'withdrawn') wire?.reset(state.reason ?? 'withdrawn')
    else wire?.release()
    plan.onEnd({
      state,
      bytesHandedOver: offset - plan.first,
      firstByteMs: firstByteAt === undefined ? undefined : firstByteAt - begunAt,
      lastByteMs: lastByteAt === undefined ? undefined : lastByteAt - begunAt,
      acknowledgedMs: acknowledgedAt === undefined ? undefined : acknowledgedAt - begunAt,
      durationMs: clock() - begunAt,
      resent: wire?.resent?.(),
    })
  }

  return {
    start(to: Wire): void {
      wire = to
      queueShown = plan.sendQueues.supported && to.connection !== undefined
      to.watch({
        closed: () => note({ kind: 'client closed' }),
        lost: (why) => note({ kind: 'lost', why }),
        acknowledged: () => note({ kind: 'acknowledged' }),
        gaveUp: (why) => note({ kind: 'gave up', why, handed: offset > plan.first }),
        silent: (why) => note({ kind: 'silent', why }),
      })
      if (to.whenReady === undefined) pump()
      else to.whenReady(pump)
    },
    withdraw: (why: string): void => note({ kind: 'withdrawn', why }),
    /** No byte was taken for too long, or the client did not close: gives up with what was seen. */
    giveUp: (): void => note({ kind: 'time-out' }),
    /** How often it went on after its client had to make room: systems take a lot by themselves, and nobody may read it. */
    get wentOn(): number {
      return wentOn
    },
    /** The last byte has not been handed over yet; afterwards the client's close is waited for. */
    get sending(): boolean {
      return isSending(state)
    },
    get bytesHandedOver(): number {
      return offset - plan.first
    },
    /** Clock reading when a byte was last taken, or of the start. */
    get movedAt(): number {
      return movedAt
    },
  }
}

/** The piece that holds `offset`, and its bytes from there on, at most so many. */
function pieceAt(
  pieces: readonly Piece[],
  offset: number,
  atMost: number,
): { piece: Piece; bytes: Uint8Array } {
  let from = offset
  for (const piece of pieces) {
    const { bytes } = piece
    if (from < bytes.byteLength) {
      const whole = from === 0 && bytes.byteLength <= atMost
      return { piece, bytes: whole ? bytes : bytes.subarray(from, from + atMost) }
    }
    from -= bytes.byteLength
  }
  throw new RangeError(`offset ${offset} lies outside its block`)
}
