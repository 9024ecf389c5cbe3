/** Refusals on record: like ones counted, floods counted, a full disk spared. */
import { afterEach, beforeEach, expect, test, vi } from 'vitest'
import { createRefusals, type RefusalsOptions } from '../../server/delivery/refusals.ts'

const GATHER_MS = 5_000

beforeEach(() => void vi.useFakeTimers())
afterEach(() => void vi.useRealTimers())

function book(options: Omit<RefusalsOptions, 'append'> = {}) {
  const entries: { reason: string; count?: number; target?: string; address: string }[] = []
  const refusals = createRefusals({
    ...options,
    append: ({ reason, count, target, client }) =>
      entries.push({
        reason,
        ...(count !== undefined && { count }),
        ...(target !== undefined && { target }),
        address: client.address,
      }),
  })
  const refuse = (address: string, target: string, isNoise = true): void =>
    refusals.record({
      client: { address },
      localAddress: '192.0.2.1',
      denial: isNoise ? 'unknown name' : 'held',
      reason: 'no',
      target,
    })
  return { entries, refusals, refuse }
}

test('like refusals in a row are one entry at once and one with their count', async () => {
  const { entries, refuse } = book()
  for (let nth = 0; nth < 4; nth += 1) refuse('192.0.2.2', '/a.bin')
  expect(entries).toHaveLength(1)
  await vi.advanceTimersByTimeAsync(GATHER_MS)
  expect(entries.map(({ count }) => count)).toEqual([undefined, 3])
})

test('100,000 requests for names that are not here are 20 entries and one count in each five seconds', async () => {
  const { entries, refuse } = book()
  for (let nth = 0; nth < 100_000; nth += 1) refuse('192.0.2.2', `/guess-${nth}.bin`)
  await vi.advanceTimersByTimeAsync(GATHER_MS)
  expect(entries).toHaveLength(21)
  expect(entries.at(-1)).toMatchObject({
    count: 99_980,
    reason: 'more requests for what is not here, or that cannot be parsed: only counted',
  })
  refuse('192.0.2.2', '/later.bin')
  expect(entries.at(-1)).toMatchObject({ target: '/later.bin' })
})

test('a flood of one client leaves the others of the visit on record, and a device of the sheet all it asks', async () => {
  const { entries, refuse } = book({ isPlanned: ({ address }) => address === '192.0.2.9' })
  for (let nth = 0; nth < 50; nth += 1) {
    refuse('192.0.2.2', `/guess-${nth}.bin`)
    refuse('192.0.2.9', `/near-${nth}.bin`)
  }
  refuse('192.0.2.3', '/other.bin')
  const of = (address: string): number => entries.filter((entry) => entry.address === address).length
  expect([of('192.0.2.2'), of('192.0.2.9'), of('192.0.2.3')]).toEqual([20, 50, 1])
})

test('what is no noise is recorded each time: a held image, a client that is not allowed', () => {
  const { entries, refuse } = book()
  for (let nth = 0; nth < 50; nth += 1) refuse('192.0.2.2', `/held-${nth}.bin`, false)
  expect(entries).toHaveLength(50)
})

test('a flood from ever new addresses leaves a bounded number of entries, and none uncounted', async () => {
  const { entries, refuse } = book()
  for (let nth = 0; nth < 3_000; nth += 1) {
    for (let more = 0; more < 21; more += 1) refuse(`2001:db8:${nth.toString(16)}::1`, `/guess-${more}`)
  }
  expect(entries).toHaveLength(400)
  await vi.advanceTimersByTimeAsync(GATHER_MS)
  expect(entries).toHaveLength(501)
  expect(entries.reduce((sum, { count = 1 }) => sum + count, 0)).toBe(63_000)
})

test('a target of a refusal is cut at 256 bytes', () => {
  const { entries, refuse } = book()
  refuse('192.0.2.2', `/${'x'.repeat(900)}`)
  expect(Buffer.byteLength(entries[0]?.target ?? '')).toBe(256)
})

test('while the disk is nearly full refusals are only counted, and recorded again once there is room', async () => {
  let free = 1024
  const { entries, refuse } = book({ freeBytes: async () => free })
  refuse('192.0.2.2', '/first.bin', false)
  await vi.advanceTimersByTimeAsync(GATHER_MS)
  for (let nth = 0; nth < 9; nth += 1) refuse('192.0.2.2', `/held-${nth}.bin`, false)
  expect(entries).toHaveLength(1)
  free = 1024 ** 3
  await vi.advanceTimersByTimeAsync(GATHER_MS)
  expect(entries.at(-1)).toMatchObject({ count: 9, reason: /the disk of the record is nearly full/ as never })
  refuse('192.0.2.2', '/last.bin', false)
  expect(entries.at(-1)).toMatchObject({ target: '/last.bin' })
})
