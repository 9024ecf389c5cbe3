import { describe, expect, it } from 'vitest'
import { type Quiet, settle } from '../../server/staging/settling.ts'

const TIMES = { settleMs: 2_000, settleUnsureMs: 15_000 }
const fresh: Quiet = { quietMs: 0, modifiedAgoMs: 100, digested: false, vouched: false, impatient: false }

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

  it('is offered after the short quiet time when it was modified more than a minute ago', () => {
    const old = { ...fresh, digested: true, quietMs: 2_000 }
    expect(settle({ ...old, modifiedAgoMs: 60_001 }, TIMES)).toEqual({ act: 'offer' })
    expect(settle({ ...old, modifiedAgoMs: 60_000 }, TIMES)).toEqual({ act: 'wait', waitMs: 13_000 })
  })

  it('is not believed to be old because a clock is wrong and its time lies ahead', () => {
    const ahead = { ...fresh, digested: true, quietMs: 5_000, modifiedAgoMs: -3_600_000 }
    expect(settle(ahead, TIMES)).toEqual({ act: 'wait', waitMs: 10_000 })
  })

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
