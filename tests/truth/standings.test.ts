/** The judge of standings judged: each false or missed standing in a plan is found, and a true plan passes. */
import { expect, test } from 'vitest'
import type { FetchRecord } from '../../server/delivery/records.ts'
import type { Plan } from '../../server/visit/plan.ts'
import { missedAtMost } from './comparison.ts'
import type { Device, RequestTruth } from './device.ts'
import type { Images } from './images.ts'
import { compareStandings } from './standings.ts'

const [NOW, EARLIER, OTHER] = ['a', 'b', 'c'].map((digit) => digit.repeat(64)) as [string, string, string]
const BYTES = 1000

/** One that took this version whole in one go and closed in order. */
function holding(sha256: string | undefined, leaving: RequestTruth['leaving'] = 'in order'): Device {
  const request = {
    ...{ address: '127.1.0.0', port: 1025, life: 0, lifeAtEnd: 0, target: '/panel.bin', range: undefined },
    ...{ version: sha256, status: 200, first: 0, promised: BYTES, received: BYTES, halfClosedFirst: false },
    ...{ leaving, begunAt: 0, endedAt: 1 },
  } as RequestTruth
  return {
    ...{ number: 7, address: '127.1.0.0', behaviour: 'played', image: 'panel.bin', planned: 'panel.bin' },
    requests: [request],
    lastWhole: () => sha256,
  } as Partial<Device> as Device
}

const images = {
  version: (sha256: string) => ({ sha256, bytes: BYTES, image: sha256 === OTHER ? 'desk.bin' : 'panel.bin' }),
  present: () => ({ sha256: NOW, bytes: BYTES }),
} as unknown as Images

function planWith(standing: string, more: object = {}): Plan {
  const done = standing === 'confirmed' || standing === 'pulled'
  const devices = [{ device: 'unit-7', standing, grounds: null, done, ...more }]
  return { devices, strangers: [], complete: false } as unknown as Plan
}

function judge(
  device: Device,
  plan: Plan,
  held: readonly string[] = [],
  fetches: Partial<FetchRecord>[] = [],
) {
  const records = fetches.map((fetch) => ({ client: { address: '127.1.0.0' }, ...fetch }) as FetchRecord)
  return compareStandings({ devices: [device], images, held: new Set(held), plan, fetches: records })
}

test.each([
  ['holds the last version and is done', holding(NOW), 'pulled', []],
  ['holds an earlier version and is contradicted', holding(EARLIER), 'contradicted', []],
  ['holds nothing and waits', holding(undefined), 'waiting', []],
  ['holds what is held now and is contradicted', holding(NOW), 'contradicted', ['panel.bin']],
  ['reset at the end and is unconfirmed', holding(NOW, 'reset'), 'unconfirmed', []],
])('a device that %s is judged rightly', (_what, device, standing, held) => {
  expect(judge(device, planWith(standing), held).faults).toEqual([])
})

test.each([
  ['an earlier version', holding(EARLIER), []],
  ['another image', holding(OTHER), []],
  ['nothing whole', holding(undefined), []],
  ['what is held now', holding(NOW), ['panel.bin']],
])('a device that holds %s and is done is a false standing', (_what, device, held) => {
  for (const standing of ['pulled', 'confirmed']) {
    expect(judge(device, planWith(standing), held).faults.join()).toMatch(/^FALSE STANDING: unit-7/)
  }
})

test('a device that holds the last version, seen in order, and is not done is missed', () => {
  const { faults, due, dueDone } = judge(holding(NOW), planWith('unconfirmed'))
  expect([faults.join(), due, dueDone]).toEqual([expect.stringMatching(/^only 0 of 1 devices/), 1, 0])
})

test('of sixty two may be missed where the server says that it could not see their close, else none', () => {
  expect([missedAtMost(60, 2), missedAtMost(60, 0)]).toEqual([2, 0.6])
  expect(missedAtMost(60, 9)).toBeLessThan(4)
})

test.each([
  ['is not in the plan', { ...planWith('waiting'), devices: [] }, /0 rows in the plan/],
  ['is done without a standing that is', planWith('waiting', { done: true }), /done is true/],
  ['is open in a plan that is complete', { ...planWith('waiting'), complete: true }, /the plan is complete/],
])('a device that %s is found', (_what, plan, words) => {
  expect(judge(holding(undefined), plan).faults.join()).toMatch(words)
})
