/** Which version a client holds a part of, also when its hardware address becomes known only between two fetches. */
import { expect, test } from 'vitest'
import { createVersionMemory } from '../../server/delivery/version-memory.ts'
import type { ClientRef } from '../../server/ledger/entries.ts'
import { SHA_A, SHA_B, type Story, tell } from './ledger-story.ts'

const MAC = '00:00:5e:00:53:01'

function begunBy(story: Story, client: ClientRef): string | undefined {
  const memory = createVersionMemory()
  for (const entry of story.entries) memory.take(entry)
  return memory.begunBy(client, 'switch.bin')
}

test('the version that the client began last', () => {
  const story = tell()
  story.fetch({ sha256: SHA_A }, 'cut', 500)
  story.fetch({ sha256: SHA_B }, 'cut', 500)
  expect(begunBy(story, { address: '192.0.2.31' })).toBe(SHA_B)
  expect(begunBy(story, { address: '192.0.2.32' })).toBeUndefined()
})

test('known by its address before, by its hardware address now', () => {
  const story = tell()
  story.fetch({ from: '192.0.2.31' }, 'cut', 500)
  story.neighbour('192.0.2.31', MAC)
  expect(begunBy(story, { address: '192.0.2.31' })).toBe(SHA_A)
  expect(begunBy(story, { address: '192.0.2.31', mac: MAC })).toBe(SHA_A)
  expect(begunBy(story, { address: '192.0.2.77', mac: MAC })).toBe(SHA_A)
})

test('known by its hardware address before, by its address alone now', () => {
  const story = tell()
  story.fetch({ from: '192.0.2.31', mac: MAC }, 'cut', 500)
  expect(begunBy(story, { address: '192.0.2.31' })).toBe(SHA_A)
})

test('the later of what its two addresses began', () => {
  const story = tell()
  story.fetch({ from: '192.0.2.31', mac: MAC, sha256: SHA_A }, 'cut', 500)
  story.fetch({ from: '192.0.2.77', mac: MAC, sha256: SHA_B }, 'cut', 500)
  expect(begunBy(story, { address: '192.0.2.31', mac: MAC })).toBe(SHA_B)
})
