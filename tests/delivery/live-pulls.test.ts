import { expect, test } from 'vitest'
import { createLivePulls } from '../../server/delivery/live-pulls.ts'
import { createPullBook } from '../../server/delivery/pulls.ts'
import type { UnderWay } from '../../server/delivery/under-way.ts'
import { resume, SIZE, tell } from './ledger-story.ts'

/** A book of a story, and fetches that have handed over so much, as delivery would list them. */
function livePulls(story: ReturnType<typeof tell>, handed: Map<number, number>, clock = { ms: 0 }) {
  const book = createPullBook()
  for (const entry of story.entries) book.take(entry)
  const list = (): UnderWay[] =>
    [...handed].map(([id, bytes]) => ({
      id,
      clientKey: '',
      address: '192.0.2.31',
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
