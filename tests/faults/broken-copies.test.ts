/** Copies that break off and are left: never offered in part. Each program at two moments; at ten in the slow tier. */
import { expect, it, onTestFinished } from 'vitest'
import { needs } from '../needs.ts'
import { breakOffCopies, offeredInPart, QUICK_PROGRAMS } from './broken-copies.ts'

it('a copy or download that broke off was offered in part', {
  timeout: 60_000,
  ...needs('Linux', 'rsync', 'fallocate', 'prlimit', 'curl', 'wget', 'aria2c', 'unzip', 'tar'),
}, async () => {
  const { left, served } = await breakOffCopies({
    programs: QUICK_PROGRAMS,
    moments: 2,
    seed: 'evening',
    until: onTestFinished,
  })
  expect(offeredInPart(served)).toEqual([])
  expect(left.filter(({ state, whole }) => state === 'ready' && !whole)).toEqual([])
  // Put to the test: most of them left a part of the image, or of its length.
  expect(left.filter(({ whole }) => !whole).length).toBeGreaterThan(left.length / 2)
  expect(left.filter(({ state }) => state === 'held').length).toBeGreaterThan(left.length / 4)
})
