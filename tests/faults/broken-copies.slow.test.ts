import { expect, it, onTestFinished } from 'vitest'
import { needs } from '../needs.ts'
import { ALL_PROGRAMS, breakOffCopies, offeredInPart } from './broken-copies.ts'

it.each(ALL_PROGRAMS)(
  'broken off at ten moments and left, never offered in part: %s',
  {
    timeout: 300_000,
    ...needs('Linux', 'rsync', 'fallocate', 'prlimit', 'curl', 'wget', 'aria2c', 'unzip', 'tar', 'chromium'),
  },
  async (program) => {
    const { left, served } = await breakOffCopies({
      programs: [program],
      moments: 10,
      seed: 'night',
      until: onTestFinished,
    })
    process.stdout.write(`${program}: ${left.map(({ bytes, state }) => `${bytes} ${state}`).join(', ')}\n`)
    expect(offeredInPart(served)).toEqual([])
    expect(left.filter(({ state, whole }) => state === 'ready' && !whole)).toEqual([])
    expect(left.filter(({ whole }) => !whole).length).toBeGreaterThanOrEqual(3)
  },
)
