/** The state machine of a transfer, step by step. Sections are of RFC 1350 where no other is named. */
import { expect, test } from 'vitest'
import type { Terms } from '../../server/tftp-port/options.ts'
import {
  startTransfer,
  step,
  type TransferEvent,
  type TransferState,
} from '../../server/tftp-port/transfer.ts'

const ONE: Terms = { blockBytes: 512, windowBlocks: 1 }
const FOUR: Terms = { blockBytes: 512, windowBlocks: 4 }
const ready = (block: number): TransferEvent => ({ kind: 'ready', block })
const ack = (block: number): TransferEvent => ({ kind: 'ack', block })
const late: TransferEvent = { kind: 'time', leaving: false }

/** Plays events, each with the clock's reading; what was sent is written as `1-4`, `options` or `error`. */
function play(state: TransferState, ...events: readonly (readonly [number, TransferEvent])[]) {
  const sent: string[] = []
  for (const [now, event] of events) {
    const send = step(state, event, now)
    if (send?.kind === 'blocks') sent.push(`${send.first}-${send.last}`)
    else if (send !== undefined) sent.push(send.kind)
  }
  return { state, sent }
}

/** With every block at hand. */
const begun = (terms: Terms, blocks: number): TransferState =>
  play(startTransfer(terms, (blocks - 1) * 512, false, 0), [0, ready(blocks)]).state

test('one block at a time: each acknowledgement brings the next, the last one ends it (§2, §6)', () => {
  const { state, sent } = play(
    startTransfer(ONE, 1024, false, 0),
    [0, ready(3)],
    [1, ack(1)],
    [2, ack(2)],
    [3, ack(3)],
  )
  expect(sent).toEqual(['1-1', '2-2', '3-3'])
  expect(state.end).toEqual({ kind: 'acknowledged' })
})

test('a whole number of blocks is followed by an empty one (§6)', () => {
  expect(startTransfer(ONE, 511, false, 0).lastBlock).toBe(1)
  expect(startTransfer(ONE, 512, false, 0).lastBlock).toBe(2)
  expect(startTransfer(ONE, 0, false, 0).lastBlock).toBe(1)
})

test('an acknowledgement that comes twice sends nothing (RFC 1123 §4.2.3.1)', () => {
  const { sent } = play(begun(ONE, 9), [1, ack(1)], [2, ack(1)], [3, ack(1)], [4, ack(2)], [5, ack(1)])
  expect(sent).toEqual(['2-2', '3-3'])
})

test('an acknowledgement of what was never sent is none', () => {
  const { state, sent } = play(begun(ONE, 9), [1, ack(2)], [1, ack(9)], [1, ack(65_535)])
  expect(sent).toEqual([])
  expect(state.acked).toBe(0)
})

test('options first: nothing of the image before ACK 0 (RFC 2347)', () => {
  const { sent } = play(
    startTransfer(FOUR, 9 * 512, true, 0),
    [0, { kind: 'begin' }],
    [1, ready(4)],
    [2, ack(1)],
    [3, ack(0)],
  )
  expect(sent).toEqual(['option ack', '1-4'])
})

test('a window is sent at once and waits for its last block (RFC 7440 §4)', () => {
  const { sent } = play(startTransfer(FOUR, 9 * 512, false, 0), [0, ready(9)], [1, ack(4)], [2, ack(8)])
  expect(sent).toEqual(['1-4', '5-8', '9-9'])
})

test('an acknowledgement inside the window begins the next window behind it (RFC 7440 §4)', () => {
  const { state, sent } = play(begun(FOUR, 20), [1, ack(2)])
  expect(sent).toEqual(['3-6'])
  expect(state.resent).toBe(2)
})

test('block numbers wrap to 0', () => {
  const far: TransferState = { ...begun(ONE, 70_000), acked: 65_534, sent: 65_535, reached: 65_535 }
  const { state, sent } = play(far, [1, ack(65_535)], [2, ack(0)], [3, ack(1)])
  expect(sent).toEqual(['65536-65536', '65537-65537', '65538-65538'])
  expect(state.acked).toBe(65_537)
})

test('without an answer it is sent again, slower each time (RFC 6298 §5.5)', () => {
  const { state, sent } = play(begun(ONE, 3), [999, late], [1_000, late], [2_999, late], [3_000, late])
  expect(sent).toEqual(['1-1', '1-1'])
  expect(state.roundTrip.timeoutMs).toBe(3_000)
})

test('the time-out follows the round trip that was measured, and never of what was sent twice (Karn)', () => {
  const quick = play(begun(ONE, 9), [4, ack(1)], [8, ack(2)], [12, ack(3)])
  expect(quick.state.roundTrip.timeoutMs).toBe(200)
  const slow = play(begun(ONE, 9), [400, ack(1)])
  expect(slow.state.roundTrip.timeoutMs).toBe(1_200)
  const twice = play(begun(ONE, 9), [1_000, late], [1_010, ack(1)])
  expect(twice.state.roundTrip.smoothedMs).toBeUndefined()
})

test("the client's own time-out is obeyed (RFC 2349)", () => {
  const terms = { ...ONE, timeoutMs: 7_000 }
  const { sent } = play(
    begun(terms, 9),
    [6_999, late],
    [7_000, late],
    [13_999, late],
    [14_000, late],
    [14_001, ack(1)],
    [21_000, late],
    [21_001, late],
  )
  expect(sent).toEqual(['1-1', '1-1', '2-2', '2-2'])
})

test('before the first answer nothing is sent more than five times', () => {
  const times = [1_000, 3_000, 6_000, 9_000, 12_000, 15_000].map((at) => [at, late] as const)
  const data = play(begun(ONE, 9), ...times)
  expect(data.sent).toEqual(['1-1', '1-1', '1-1', '1-1'])
  expect(data.state.end).toEqual({ kind: 'silent', ms: 12_000 })
  const options = play(startTransfer(FOUR, 9 * 512, true, 0), [0, { kind: 'begin' }], ...times)
  expect(options.sent).toEqual(Array(5).fill('option ack'))
})

test('silence of 50 s after an answer ends it, to the millisecond', () => {
  const at = play(begun(ONE, 9), [10, ack(1)]).state
  let now = 10
  while (at.phase !== 'ended') {
    now = at.dueAt
    step(at, late, now)
  }
  expect(now).toBe(50_010)
  expect(at.end).toEqual({ kind: 'silent', ms: 50_000 })
})

test('what has not left the machine is not sent again', () => {
  const { sent, state } = play(begun(ONE, 9), [1_000, { kind: 'time', leaving: true }])
  expect(sent).toEqual([])
  expect(state.dueAt).toBe(2_000)
})

test('an error of the client ends it; one of ours is sent once', () => {
  const error = { kind: 'error', code: 3, text: 'disk full' } as const
  expect(play(begun(ONE, 9), [1, error]).state.end).toEqual({
    kind: 'client error',
    code: 3,
    text: 'disk full',
  })
  const stop = { kind: 'stop', why: 'the image was held' } as const
  expect(play(begun(ONE, 9), [1, stop], [2, stop], [3, ack(1)]).sent).toEqual(['error'])
})

test('nothing is sent and nothing waited for while the next bytes are not at hand', () => {
  const { state, sent } = play(startTransfer(FOUR, 99 * 512, false, 0), [0, ready(2)], [5, ack(2)])
  expect(sent).toEqual(['1-2'])
  expect(state.dueAt).toBe(Number.POSITIVE_INFINITY)
  expect(play(state, [9, ready(3)]).sent).toEqual(['3-3'])
})
