import fc from 'fast-check'
import { expect, test } from 'vitest'
import { type EndingState, type Seen, START, see } from '../../server/delivery/endings.ts'

const after = (...seen: Seen[]): EndingState => seen.reduce(see, START)
const handed: Seen = { kind: 'all handed' }
const closed: Seen = { kind: 'client closed' }
const lost: Seen = { kind: 'lost', why: 'ECONNRESET' }
const late: Seen = { kind: 'time-out' }
const queue = (state: 'empty' | 'not empty' | 'not shown' | 'vanished'): Seen => ({ kind: 'queue', state })

test('delivered: handed over, closed in order, send queue empty', () => {
  expect(after(handed, closed, queue('empty')).ending).toBe('delivered')
})

test('delivered where the system shows no send queue', () => {
  expect(after(handed, closed, queue('not shown')).ending).toBe('delivered')
})

test('seen empty before the client closed: delivered only while the kernel still lists the connection', () => {
  expect(after(handed, queue('empty'), closed, queue('empty')).ending).toBe('delivered')
  expect(after(handed, queue('empty'), closed, queue('not shown')).ending).toBe('delivered')
  expect(after(handed, queue('empty'), closed, lost).ending).toBe('reset-late')
  const forgotten = after(handed, queue('empty'), closed, queue('vanished'))
  expect(forgotten).toMatchObject({ ending: 'unconfirmed', acknowledged: true })
  expect(forgotten.reason).toContain('whether normally or by a reset was not seen')
})

test('unconfirmed: closed while bytes were still queued, acknowledged once the queue was seen empty', () => {
  const state = after(handed, closed, queue('not empty'), queue('not empty'), queue('empty'))
  expect(state).toMatchObject({ ending: 'unconfirmed', acknowledged: true })
})

test('unconfirmed: the client had closed its side before the last byte was handed over', () => {
  expect(after(closed, handed, queue('empty'))).toMatchObject({ ending: 'unconfirmed', acknowledged: true })
  expect(after(closed, handed, queue('not shown')).ending).toBe('unconfirmed')
  expect(after(closed, handed, queue('not shown')).acknowledged).toBeUndefined()
})

test('unconfirmed, but acknowledged: no close within the linger time, though the queue was seen empty', () => {
  expect(after(handed, queue('empty'), late)).toMatchObject({ ending: 'unconfirmed', acknowledged: true })
})

test('unconfirmed: no close within the linger time, or the connection vanished', () => {
  expect(after(handed, late).ending).toBe('unconfirmed')
  expect(after(handed, closed, queue('vanished'))).toMatchObject({ ending: 'unconfirmed' })
  expect(after(handed, closed, queue('vanished')).acknowledged).toBeUndefined()
})

test('unconfirmed says why: it did not close, or it had closed before the last byte was taken', () => {
  expect(after(handed, late).reason).toBe('the client did not close')
  const first = 'the client had closed its sending side before the last byte was taken'
  expect(after(handed, closed, late).reason).toBe(first)
  expect(after(closed, handed, queue('not empty'), late).reason).toBe(first)
})

test('reset-late: reset after the last byte was handed over, however far the close had come', () => {
  expect(after(handed, lost).ending).toBe('reset-late')
  expect(after(handed, closed, lost).ending).toBe('reset-late')
  expect(after(handed, closed, queue('not empty'), lost).ending).toBe('reset-late')
  expect(after(closed, handed, lost).ending).toBe('reset-late')
})

test("delivered: the client's own program acknowledged the last byte; no close is waited for", () => {
  const own: Seen = { kind: 'acknowledged' }
  expect(after(handed, own)).toEqual({ phase: 'ended', ending: 'delivered', acknowledged: true })
  expect(after(own).ending).toBeUndefined()
})

test('silence: cut before the last byte was handed over, unconfirmed after it', () => {
  const silent: Seen = { kind: 'silent', why: 'no answer' }
  expect(after(silent)).toMatchObject({ ending: 'cut', reason: 'no answer' })
  expect(after(handed, silent)).toMatchObject({ ending: 'unconfirmed', reason: 'no answer' })
})

test('a client that says that it gives up is cut short, whenever it says so; before any byte it was a probe', () => {
  const gaveUp = (handed: boolean): Seen => ({ kind: 'gave up', why: 'disk full', handed })
  expect(after(gaveUp(true))).toMatchObject({ ending: 'cut', reason: 'disk full' })
  expect(after(handed, gaveUp(true)).ending).toBe('cut')
  expect(after(gaveUp(false)).ending).toBe('headers-only')
})

test('cut: lost before the last byte was handed over', () => {
  expect(after(lost)).toMatchObject({ ending: 'cut', reason: 'ECONNRESET' })
  expect(after(closed, lost).ending).toBe('cut')
})

test('withdrawn: our own reset at any time, and a client that takes nothing for too long', () => {
  const ours: Seen = { kind: 'withdrawn', why: 'held' }
  for (const before of [[], [closed], [handed], [handed, closed], [closed, handed]]) {
    expect(after(...before, ours)).toMatchObject({ ending: 'withdrawn', reason: 'held' })
  }
  expect(after(late).ending).toBe('withdrawn')
})

const anySeen = fc.constantFrom<Seen>(
  handed,
  closed,
  lost,
  late,
  queue('empty'),
  queue('not empty'),
  queue('not shown'),
  queue('vanished'),
  { kind: 'withdrawn', why: 'x' },
)

test('delivered is never said without: all handed over, then closed, then a connection that is listed or not shown', () => {
  fc.assert(
    fc.property(fc.array(anySeen, { maxLength: 8 }), (seen) => {
      const states = seen.map((_, at) => after(...seen.slice(0, at + 1)))
      const at = states.findIndex((state) => state.ending === 'delivered')
      if (at === -1) return
      const before = seen.slice(0, at + 1)
      const handedAt = before.indexOf(handed)
      const closedAt = before.indexOf(closed)
      expect(handedAt).toBeGreaterThanOrEqual(0)
      expect(closedAt).toBeGreaterThan(handedAt)
      expect(before.at(-1)).toMatchObject({ kind: 'queue' })
      expect(before.at(-1)).not.toMatchObject({ state: 'vanished' })
      expect(before.some((one) => one.kind === 'lost' || one.kind === 'withdrawn')).toBe(false)
    }),
    { numRuns: 5000 },
  )
})

test('an ended fetch stays as it ended', () => {
  fc.assert(
    fc.property(fc.array(anySeen, { maxLength: 8 }), anySeen, (seen, more) => {
      const state = after(...seen)
      if (state.phase === 'ended') expect(see(state, more)).toBe(state)
    }),
  )
})
