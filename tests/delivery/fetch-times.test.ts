/** How long bytes took on their way, and pulls in all: what a device does before it closes is not in it. */
import { expect, it } from 'vitest'
import { Durations, pacedMs } from '../../server/delivery/fetch-times.ts'

const MIB = 1024 * 1024
const BEGUN = '2026-03-03T18:00:00.000Z'
const fetch = (told: Partial<Parameters<typeof pacedMs>[0]>): Parameters<typeof pacedMs>[0] => ({
  run: 1,
  upMs: 0,
  begun: BEGUN,
  ended: '2026-03-03T18:05:00.000Z',
  lastByteMs: 20_000,
  acknowledgedMs: null,
  durationMs: 300_000,
  bytesHandedOver: 100 * MIB,
  ...told,
})

it.each([
  ['until it was acknowledged', { acknowledgedMs: 20_400 }, 20_400],
  ['until all was handed over, where that was not seen', {}, 20_000],
  [
    'of a small image until the close, since the system takes it all at once',
    { bytesHandedOver: MIB },
    300_000,
  ],
  ['of one that was cut until it was lost', { lastByteMs: null }, 300_000],
])('counts the time of a fetch %s', (_what, told, ms) => {
  expect(pacedMs(fetch(told))).toBe(ms)
})

it('counts a pull from its first beginning to its last byte, and says when the last of it ended', () => {
  const first = fetch({ upMs: 1_000, lastByteMs: null, durationMs: 5_000, ended: '2026-03-03T18:00:06.000Z' })
  const resumed = fetch({ upMs: 8_000, acknowledgedMs: 12_000 })
  const durations = new Durations()
  for (const each of [first, resumed]) durations.add(each)
  expect(durations.overAll()).toEqual({ seconds: 19, ended: resumed.ended })
})
