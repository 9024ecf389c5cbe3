/**
 * A few hundred simulated devices against the built program, in the default tier: one fixed seed, and one that is
 * new each time and printed, so that a failing one can be repeated.
 */
import { randomInt } from 'node:crypto'
import { expect, test } from 'vitest'
import { LOOPBACK_IS_WIDE } from './loopback.ts'
import { runTruth } from './run.ts'

test.each([
  ['a fixed seed', 1, 120],
  ['a new seed', randomInt(1_000_000_000), 120],
])(
  '%s (%i): what the ledger says of %i devices is what they hold',
  { timeout: 180_000, skip: !LOOPBACK_IS_WIDE },
  async (_which, seed, devices) => {
    const report = await runTruth({ seed, devices, kills: 1 })
    console.log(report.lines.join('\n'))
    expect(report.faults, report.repeat).toEqual([])
    expect(report.due).toBeGreaterThan(devices / 10)
    expect(report.standings.due).toBeGreaterThan(devices / 10)
  },
)
