/** What a running server knows is what its ledger says: live and replayed state are the same code, fed alike. */
import { expect, test } from 'vitest'
import { createDerived, type Derived } from '../../server/depot/derived.ts'
import { SHA_A, SHA_B, tell } from '../delivery/ledger-story.ts'

const MAC = '00:00:5e:00:53:01'

/** A server that writes at once and syncs now and then; and one that reads the same ledger at its start. */
function liveAndReplayed(story: ReturnType<typeof tell>): { live: Derived; replayed: Derived } {
  const live = createDerived(() => null)
  const replayed = createDerived(() => null)
  for (let at = 0; at < story.entries.length; at += 7) {
    const group = story.entries.slice(at, at + 7)
    for (const entry of group) live.ahead.apply(entry)
    for (const entry of group) live.apply(entry)
  }
  for (const entry of story.entries) {
    replayed.ahead.apply(entry)
    replayed.apply(entry)
  }
  return { live, replayed }
}

test('a hardware address that comes late is learnt by what decides of resumes too, live as in a replay', () => {
  const story = tell()
  story.fetch({ from: '192.0.2.31', sha256: SHA_A }, 'cut', 500)
  story.neighbour('192.0.2.31', MAC)
  story.fetch({ from: '192.0.2.40', sha256: SHA_B }, 'cut', 500)
  const { live, replayed } = liveAndReplayed(story)
  for (const { ahead } of [live, replayed]) {
    expect(ahead.parts.of({ address: '192.0.2.77', mac: MAC }, 'switch.bin')?.sha256).toBe(SHA_A)
  }
  expect(live.pulls.pulls()).toEqual(replayed.pulls.pulls())
})

test('what is shown waits for the disk, what decides of the next request does not', () => {
  const story = tell()
  story.fetch({}, 'delivered', 1000)
  const live = createDerived(() => null)
  for (const entry of story.entries) live.ahead.apply(entry)
  expect(live.ahead.parts.of({ address: '192.0.2.31' }, 'switch.bin')?.sha256).toBe(SHA_A)
  expect(live.pulls.pulls()).toEqual([])
  for (const entry of story.entries) live.apply(entry)
  expect(live.pulls.pulls()).toMatchObject([{ state: 'complete' }])
})
