/** Ten thousand simulated devices against the built program, three seeds. */
import { expect, test } from 'vitest'
import { LOOPBACK_IS_WIDE } from './loopback.ts'
import { runTruth } from './run.ts'

test.each([11, 12, 13])(
  'seed %i: what the ledger says of 10000 devices is what they hold',
  { timeout: 3_600_000, skip: !LOOPBACK_IS_WIDE },
  async (seed) => {
    const report = await runTruth({ seed, devices: 10_000, atOnce: 64 })
    console.log(report.lines.join('\n'))
    expect(report.faults, report.repeat).toEqual([])
    expect(report.due).toBeGreaterThan(2_000)
    expect(report.standings.due).toBeGreaterThan(2_000)
  },
)
