import { expect, test } from 'vitest'
import { needs } from '../needs.ts'
import { dropHeap, SHOWN_AT_MOST } from './heap-of-files.ts'

const FILES = 2_000

/**
 * Must hold: all are offered, serving goes on meanwhile, the page is sent a bounded list. When every judgement sorted
 * and indexed all names anew, four times as many files took some fifteen times as long.
 */
test(`${FILES} files dropped in at once are all ready at a cost that does not grow with their square`, {
  ...needs('Linux'),
  timeout: 60_000,
}, async () => {
  const fewer = await dropHeap(FILES / 4, 20_000)
  const heap = await dropHeap(FILES, 30_000)
  expect(heap.imagesReady).toBe(FILES + 1)
  expect(heap.imagesShown).toBe(SHOWN_AT_MOST)
  expect(heap.meanwhile.length).toBeGreaterThan(3)
  expect(heap.meanwhile.filter(({ status, whole }) => status !== 200 || !whole)).toEqual([])
  expect(heap.underWayWhole).toBe(true)
  expect(heap.snapshotBytes).toBeLessThan(1_500_000)
  expect(heap.cpuSeconds / fewer.cpuSeconds).toBeLessThan(8)
  expect(heap.mostResidentBytes).toBeLessThan(600e6)
})
