import { expect, test } from 'vitest'
import { createLivePulls } from '../../server/delivery/live-pulls.ts'
import { createPullRecords } from '../../server/delivery/pulls.ts'
import type { UnderWay } from '../../server/delivery/under-way.ts'
import { resume, SIZE, tell } from './ledger-story.ts'

/** A book of a story, and fetches that have handed over so much, as delivery would list them. */
function livePulls(story: ReturnType<typeof tell>, handed: Map<number, number>, clock = { ms: 0 }) {
  const book = createPullRecords()
  for (const entry of story.entries) book.apply(entry)
  const list = (): UnderWay[] =>
    [...handed].map(([id, bytes]) => ({
      id,
      client: { address: '192.0.2.31' },
      image: { name: '', plainPath: '', bytes: SIZE, sha256: '' },
      first: 0,
      promised: SIZE,
      rehearsal: false,
      fetch: {
        movedAt: 0,
        sending: bytes < SIZE,
        bytesHandedOver: bytes,
      } as UnderWay['fetch'],
    }))
  const underWay = { list, isStalled: () => false } as unknown as Parameters<typeof createLivePulls>[1]
  return createLivePulls(book, underWay, () => clock.ms)
}

test('pulls that are over are left out; a resumed one stands where it began', () => {
  const story = tell()
  story.fetch({}, 'cut', 600)
  story.fetch({ from: '192.0.2.40' }, 'delivered', SIZE)
  const other = story.begin({ from: '192.0.2.32' })
  const resumed = story.begin(resume(600))
  const handed = new Map([
    [other, 100],
    [resumed, 50],
  ])
  expect(livePulls(story, handed)()).toMatchObject([
    { client: { address: '192.0.2.31' }, bytesNow: 650, movement: 'moving', fetches: ['1', '4'] },
    { client: { address: '192.0.2.32' }, bytesNow: 100, movement: 'moving' },
  ])
})

test('a fetch that is recorded but not sent yet is there without movement', () => {
  const story = tell()
  story.begin()
  const [pull, ...more] = livePulls(story, new Map())()
  expect(more).toEqual([])
  expect(pull).toMatchObject({ state: 'running', bytesNow: 0 })
  expect(pull).not.toHaveProperty('movement')
})

test('a bar fell to nothing between the end of its fetch and its record', () => {
  const story = tell()
  const handed = new Map([[story.begin(), SIZE]])
  const ask = livePulls(story, handed)
  expect(ask()).toMatchObject([{ bytesNow: SIZE, movement: 'waiting for the device to close' }])
  handed.clear()
  expect(ask()).toMatchObject([{ bytesNow: SIZE }])
  expect(ask(), 'and as often as it is asked').toMatchObject([{ bytesNow: SIZE }])
})

test('the rate is taken from one asking to the next', () => {
  const story = tell()
  const handed = new Map([[story.begin(), 100]])
  const clock = { ms: 0 }
  const ask = livePulls(story, handed, clock)
  expect(ask()[0]).not.toHaveProperty('rateNow')
  clock.ms = 1_000
  handed.set(1, 300)
  expect(ask()[0]).toMatchObject({ rateNow: 200, secondsLeft: 3.5 })
})

test('everything handed over waits for the device to close', () => {
  const story = tell()
  const handed = new Map([[story.begin(), SIZE]])
  expect(livePulls(story, handed)()[0]).toMatchObject({ movement: 'waiting for the device to close' })
})

test('since when a pull stands still is one moment, until it moves and stands still again', () => {
  const story = tell()
  const fetch = { movedAt: 1_000, sending: true, bytesHandedOver: 100 }
  const under = { id: story.begin(), fetch } as unknown as UnderWay
  const book = createPullRecords()
  for (const entry of story.entries) book.apply(entry)
  const clock = { ms: 31_000 }
  const underWay = {
    list: () => [under],
    isStalled: () => clock.ms - fetch.movedAt >= 30_000,
    stillMs: () => clock.ms - fetch.movedAt,
  } as unknown as Parameters<typeof createLivePulls>[1]
  const begun = Date.parse('2026-11-25T20:00:00Z')
  let late = 0
  const ask = createLivePulls(
    book,
    underWay,
    () => clock.ms,
    () => begun + clock.ms + late,
  )
  const since = (): string | undefined => ask()[0]?.stalledSince
  expect(since()).toBe('2026-11-25T20:00:01.000Z')
  clock.ms = 45_000
  // The two clocks are not read at the same instant.
  late = 3
  expect(since()).toBe('2026-11-25T20:00:01.000Z')
  fetch.movedAt = 45_000
  expect(since()).toBeUndefined()
  clock.ms = 80_000
  late = 0
  expect(since()).toBe('2026-11-25T20:00:45.000Z')
})
