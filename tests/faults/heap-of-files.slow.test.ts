import { expect, test } from 'vitest'
import { needs } from '../needs.ts'
import { dropHeap, SHOWN_AT_MOST } from './heap-of-files.ts'

/** More by hand: with 50,000 of them `HEAP_FILES=50000 npm run test:slow -- heap-of-files`. */
const FILES = Number(process.env.HEAP_FILES ?? 10_000)

// Five times the files of the default tier, for at most eight times its processor time.
test(`${FILES} files dropped in at once`, { timeout: 400_000, ...needs('Linux') }, async () => {
  const { served: _, meanwhile, ...heap } = await dropHeap(FILES, 300_000)
  process.stdout.write(`${FILES} files: ${JSON.stringify(heap)}\n`)
  expect(heap.imagesReady).toBe(FILES + 1)
  expect(heap.imagesShown).toBe(SHOWN_AT_MOST)
  expect(meanwhile.filter(({ status, whole }) => status !== 200 || !whole)).toEqual([])
  expect(heap.underWayWhole).toBe(true)
  expect(heap.snapshotBytes).toBeLessThan(1_500_000)
  expect(heap.cpuSeconds).toBeLessThan(90)
  expect(heap.mostResidentBytes).toBeLessThan(900e6)
})
