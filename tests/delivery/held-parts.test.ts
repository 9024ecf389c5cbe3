/** Which part of which version a client holds, also when its hardware address becomes known between two fetches. */
import { expect, test } from 'vitest'
import { createHeldParts, type HeldParts } from '../../server/delivery/held-parts.ts'
import type { ClientRef } from '../../server/ledger/entries.ts'
import { resume, SHA_A, SHA_B, type Story, segment, tell } from './ledger-story.ts'

const MAC = '00:00:5e:00:53:01'
const OTHER_MAC = '00:00:5e:00:53:02'
const IMAGE = { name: 'switch.bin', sha256: SHA_A }

function partsOf(story: Story): HeldParts {
  const parts = createHeldParts()
  for (const entry of story.entries) parts.apply(entry)
  return parts
}

function heldBy(story: Story, client: ClientRef): { sha256?: string; furthest?: number; underWay?: number } {
  return partsOf(story).of(client, 'switch.bin') ?? {}
}

test('the version that the client asked for from byte 0 last, and how far it was handed over since', () => {
  const story = tell()
  story.fetch({ sha256: SHA_A }, 'cut', 700)
  story.fetch({ sha256: SHA_B }, 'cut', 300)
  story.fetch(resume(300, { sha256: SHA_B }), 'cut', 200)
  expect(heldBy(story, { address: '192.0.2.31' })).toMatchObject({
    sha256: SHA_B,
    furthest: 500,
    underWay: 0,
  })
  expect(heldBy(story, { address: '192.0.2.32' })).toEqual({})
  story.begin(segment(0, 99, { sha256: SHA_A }))
  expect(heldBy(story, { address: '192.0.2.31' })).toMatchObject({ sha256: SHA_A, furthest: 0, underWay: 1 })
})

test('what was under way when the server died may have come to any byte', () => {
  const story = tell()
  story.fetch({}, 'lost-track', 0)
  expect(heldBy(story, { address: '192.0.2.31' }).furthest).toBe(Number.POSITIVE_INFINITY)
})

test('a client that came with a part already is taken at its word, until it begins anew', () => {
  const story = tell()
  story.fetch(resume(500), 'cut', 100)
  expect(heldBy(story, { address: '192.0.2.31' })).toMatchObject({ sha256: SHA_A })
  expect(heldBy(story, { address: '192.0.2.31' }).furthest).toBe(Number.POSITIVE_INFINITY)
})

test('headers and rehearsals are no part', () => {
  const story = tell()
  story.fetch({ promised: 0 }, 'headers-only', 0)
  story.fetch({ rehearsal: true }, 'delivered', 1000)
  expect(heldBy(story, { address: '192.0.2.31' })).toEqual({})
})

test('what ended fetches explain: all before that byte was handed over', () => {
  const story = tell()
  story.fetch({}, 'cut', 300)
  story.begin()
  const parts = partsOf(story)
  expect(parts.explained({ address: '192.0.2.31' }, IMAGE, 300)).toBe(true)
  expect(parts.explained({ address: '192.0.2.31' }, IMAGE, 301)).toBe(false)
  expect(parts.explained({ address: '192.0.2.31' }, { ...IMAGE, sha256: SHA_B }, 300)).toBe(false)
})

test('known by its address before, by its hardware address now', () => {
  const story = tell()
  story.fetch({ from: '192.0.2.31' }, 'cut', 500)
  story.neighbour('192.0.2.31', MAC)
  expect(heldBy(story, { address: '192.0.2.31' }).sha256).toBe(SHA_A)
  expect(heldBy(story, { address: '192.0.2.31', mac: MAC }).sha256).toBe(SHA_A)
  expect(heldBy(story, { address: '192.0.2.77', mac: MAC }).sha256).toBe(SHA_A)
})

test('known by its hardware address before, by its address alone now', () => {
  const story = tell()
  story.fetch({ from: '192.0.2.31', mac: MAC }, 'cut', 500)
  expect(heldBy(story, { address: '192.0.2.31' }).sha256).toBe(SHA_A)
})

test('the later of what its two addresses began', () => {
  const story = tell()
  story.fetch({ from: '192.0.2.31', mac: MAC, sha256: SHA_A }, 'cut', 500)
  story.fetch({ from: '192.0.2.77', mac: MAC, sha256: SHA_B }, 'cut', 500)
  expect(heldBy(story, { address: '192.0.2.31', mac: MAC }).sha256).toBe(SHA_B)
})

test('what one device began at a factory address is not held by the next one that comes to it', () => {
  const story = tell()
  story.fetch({ mac: MAC, sha256: SHA_A }, 'cut', 500)
  story.wait(60_000)
  story.fetch({ sha256: SHA_B }, 'cut', 100)
  story.neighbour('192.0.2.31', OTHER_MAC)
  expect(heldBy(story, { address: '192.0.2.31', mac: OTHER_MAC })).toMatchObject({ sha256: SHA_B })
  expect(heldBy(story, { address: '192.0.2.99', mac: MAC })).toMatchObject({ sha256: SHA_A, furthest: 500 })
})
