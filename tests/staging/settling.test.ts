import { describe, expect, it } from 'vitest'
import { type Quiet, settle } from '../../server/staging/settling.ts'

const TIMES = { settleMs: 2_000, settleUnsureMs: 15_000 }
const NOW = Date.UTC(2026, 2, 3)
const fresh: Quiet = {
  quietMs: 0,
  modifiedMs: NOW - 100,
  changedMs: NOW - 100,
  nowMs: NOW,
  digested: false,
  vouched: false,
  impatient: false,
}

describe('a file that may still be written', () => {
  it('is read after the short quiet time, not a millisecond before', () => {
    expect(settle({ ...fresh, quietMs: 1_999 }, TIMES)).toEqual({ act: 'wait', waitMs: 1 })
    expect(settle({ ...fresh, quietMs: 2_000 }, TIMES)).toEqual({ act: 'read' })
  })

  it('waits out the long quiet time when nothing vouches for it', () => {
    expect(settle({ ...fresh, digested: true, quietMs: 2_500 }, TIMES)).toEqual({
      act: 'wait',
      waitMs: 12_500,
    })
    expect(settle({ ...fresh, digested: true, quietMs: 15_000 }, TIMES)).toEqual({ act: 'offer' })
  })

  it('is offered after the short quiet time when its checksum or format vouches for it', () => {
    expect(settle({ ...fresh, digested: true, vouched: true, quietMs: 2_000 }, TIMES)).toEqual({
      act: 'offer',
    })
  })

  it('is offered after the short quiet time when it was modified and changed more than a minute ago', () => {
    const old = { ...fresh, digested: true, quietMs: 2_000, modifiedMs: NOW - 60_001 }
    expect(settle({ ...old, changedMs: NOW - 60_001 }, TIMES)).toEqual({ act: 'offer' })
    expect(settle({ ...old, changedMs: NOW - 60_000 }, TIMES)).toEqual({ act: 'wait', waitMs: 13_000 })
    expect(settle({ ...old, modifiedMs: NOW - 60_000, changedMs: NOW - 60_001 }, TIMES)).toEqual({
      act: 'wait',
      waitMs: 13_000,
    })
  })

  it.each([
    ['1970', Date.UTC(1970, 0, 1)],
    ['1980, UTC', Date.UTC(1980, 0, 1)],
    ['1980, in the westernmost zone', Date.UTC(1980, 0, 1, 12)],
    ['before all that', Date.UTC(1969, 11, 31, 23)],
  ])('is not believed to be old because its time is %s, however long ago it was changed', (_what, at) => {
    const marked = { ...fresh, digested: true, quietMs: 2_000, modifiedMs: at, changedMs: NOW - 86_400_000 }
    expect(settle(marked, TIMES)).toEqual({ act: 'wait', waitMs: 13_000 })
    expect(settle({ ...marked, quietMs: 15_000 }, TIMES)).toEqual({ act: 'offer' })
    expect(settle({ ...marked, vouched: true }, TIMES)).toEqual({ act: 'offer' })
  })

  it('is believed to be old from the day after: images that old are none, but their clocks were', () => {
    const old = { ...fresh, digested: true, quietMs: 2_000, changedMs: NOW - 60_001 }
    expect(settle({ ...old, modifiedMs: Date.UTC(1980, 0, 3) }, TIMES)).toEqual({ act: 'offer' })
  })

  it.each(['modifiedMs', 'changedMs'] as const)(
    'is not believed to be old because a clock is wrong and its time (%s) lies ahead',
    (which) => {
      const long = {
        ...fresh,
        digested: true,
        quietMs: 5_000,
        modifiedMs: NOW - 70_000,
        changedMs: NOW - 70_000,
      }
      expect(settle({ ...long, [which]: NOW + 3_600_000 }, TIMES)).toEqual({ act: 'wait', waitMs: 10_000 })
    },
  )

  it('is read and offered at once when a person says so', () => {
    expect(settle({ ...fresh, impatient: true }, TIMES)).toEqual({ act: 'read' })
    expect(settle({ ...fresh, impatient: true, digested: true }, TIMES)).toEqual({ act: 'offer' })
  })

  it('never waits less for being unsure than for being sure', () => {
    const times = { settleMs: 5_000, settleUnsureMs: 1_000 }
    expect(settle({ ...fresh, digested: true, quietMs: 1_000 }, times)).toEqual({
      act: 'wait',
      waitMs: 4_000,
    })
  })
})
