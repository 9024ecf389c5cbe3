/** What the page says to do next, from facts alone. */
import { describe, expect, test } from 'vitest'
import { longStalls } from '../../server/bench/device-advice.ts'
import { nextSteps, type StepFacts } from '../../server/bench/next-steps.ts'
import { handsIn } from '../../server/bench/page/words.ts'
import type { VisitRowView, VisitView } from '../../server/bench/visit-view.ts'
import type { LivePull } from '../../server/delivery/live-pulls.ts'
import type { FetchRecord, PullRecord } from '../../server/delivery/records.ts'
import type { ImageView } from '../../server/report/image-view.ts'

const ADDRESS = {
  address: '192.0.2.10',
  interface: 'eth0',
  cidr: '192.0.2.0/24',
  family: 4,
  loopback: false,
  tunnel: false,
  linkLocal: false,
  offerable: true,
  reached: false,
  urls: [{ url: 'http://192.0.2.10:8080', port: 8080, door: 'http', lines: ['{url}'] }],
} as const

const image = (members: Partial<ImageView>): ImageView => ({
  name: 'desk.bin',
  plainPath: '/desk.bin',
  digestPath: '/00000000.bin',
  bytes: 9,
  sha256: '0'.repeat(64),
  crc32: '0'.repeat(8),
  state: 'ready',
  reason: null,
  notes: [],
  published: { standing: 'none' },
  format: { kind: 'unknown', verdict: 'unknown' },
  lifted: null,
  progress: null,
  settlesAt: null,
  urls: [],
  ...members,
})

const pull = (members: Partial<PullRecord>): PullRecord => ({
  client: { address: '192.0.2.31', mac: null, device: null },
  image: { name: 'desk.bin', plainPath: '/desk.bin', bytes: 9, sha256: '0'.repeat(64) },
  state: 'incomplete',
  bytesCovered: 3,
  begunSeq: 2,
  latestSeq: 3,
  begun: '2026-03-02T09:00:00.000Z',
  ended: '2026-03-02T09:00:01.000Z',
  seconds: 1,
  bytesPerSecond: 3,
  versionChanged: false,
  shared: false,
  notes: [],
  fetches: ['1'],
  ...members,
})

const refusal = (members: Partial<FetchRecord>): FetchRecord =>
  ({
    client: { address: '203.0.113.7' },
    ending: 'refused',
    status: 403,
    reason: 'It is outside the ranges that may fetch.',
    hint: '--allow 203.0.113.7/32',
    ...members,
  }) as FetchRecord

const facts = (members: Partial<StepFacts>): StepFacts => ({
  folder: '/library-visit',
  images: [image({})],
  addresses: [{ ...ADDRESS, reached: true }],
  refusals: [],
  troubles: [],
  stalls: [],
  ledgerWritable: true,
  firewall: [],
  visit: null,
  pulls: [],
  hints: [],
  started: '2026-03-02T08:00:00.000Z',
  ...members,
})

test('when all is well there is nothing to do', () => {
  expect(nextSteps(facts({}))).toEqual([])
})

test('a client that would append to a part of another version is an act, until it begins anew', () => {
  const image = pull({}).image
  const refused = refusal({
    versionChanged: true,
    begunSeq: 7,
    image,
    status: 412,
    client: { address: '192.0.2.31' },
  })
  const [step, ...more] = nextSteps(
    facts({ refusals: [refused], pulls: [pull({ state: 'complete', begunSeq: 5 })] }),
  )
  expect(more).toEqual([])
  expect(step).toMatchObject({ weight: 'act' })
  expect(step?.text).toContain('delete the part on the device, then fetch it again from the start')
  const anew = [pull({ state: 'complete', begunSeq: 9 })]
  expect(nextSteps(facts({ refusals: [refused], pulls: anew }))).toEqual([])
})

describe('a first run', () => {
  test('an empty folder is named, to copy an image into', () => {
    const [step] = nextSteps(facts({ images: [] }))
    expect(step).toMatchObject({ weight: 'tip', line: '/library-visit' })
  })

  test('a machine with nothing but loopback is told that nothing can reach it', () => {
    const [step] = nextSteps(facts({ addresses: [{ ...ADDRESS, offerable: false }] }))
    expect(step?.weight).toBe('act')
    expect(step?.text).toContain('no address that a device could reach')
  })

  test('an address that nothing has reached comes with the line that opens the firewall', () => {
    const firewall = [{ program: 'tool', open: 'tool open 8080', close: 'tool close 8080', note: '' }]
    const [step] = nextSteps(facts({ addresses: [ADDRESS], firewall }))
    expect(step).toMatchObject({ weight: 'tip', line: 'tool open 8080' })
    expect(nextSteps(facts({ addresses: [ADDRESS], firewall: [] }))[0]?.line).toBeUndefined()
  })

  test('it is not said before an image is ready, nor after anything came', () => {
    expect(nextSteps(facts({ addresses: [ADDRESS], images: [image({ state: 'settling' })] }))).toEqual([])
    expect(nextSteps(facts({ addresses: [ADDRESS], pulls: [pull({ state: 'complete' })] }))).toEqual([])
  })
})

describe('what needs a hand', () => {
  test('a held image says why and is named', () => {
    const [step] = nextSteps(facts({ images: [image({ state: 'held', reason: 'It is damaged at byte 7' })] }))
    expect(step).toMatchObject({ weight: 'act', image: 'desk.bin' })
    expect(step?.text).toContain('It is damaged at byte 7. ')
  })

  test('when to lift was said twice where the reason says it', () => {
    const reason = 'It is an empty file. Lift it not, or lift the hold if it is meant to be so.'
    const [step] = nextSteps(facts({ images: [image({ state: 'held', reason })] }))
    expect(step?.text).toBe(`desk.bin is held: ${reason}`)
  })

  test('a hold by hand was said twice, and spoke of a mismatch that there is not', () => {
    const reason = 'Held by engineer: it bricked one'
    const [step] = nextSteps(facts({ images: [image({ state: 'held', reason })] }))
    expect(step?.text).toBe('desk.bin is held by engineer: it bricked one.')
  })

  test('many held images are counted', () => {
    const images = Array.from({ length: 50 }, (_, at) => image({ name: `${at}.bin`, state: 'held' }))
    const steps = nextSteps(facts({ images }))
    expect(steps).toHaveLength(6)
    expect(steps.at(-1)?.text).toContain('45 more images are held')
  })

  test('a device that has only part of an image is named until it has', () => {
    const [step] = nextSteps(facts({ pulls: [pull({})] }))
    expect(step?.weight).toBe('act')
    expect(step?.text).toContain('192.0.2.31 has only part of desk.bin')
    const again = pull({ begun: '2026-03-02T09:05:00.000Z', fetches: ['2'] })
    for (const state of ['running', 'complete', 'unconfirmed'] as const) {
      expect(nextSteps(facts({ pulls: [pull({}), { ...again, state }] })), state).toEqual([])
    }
  })

  test('what broke off before this run was forgotten when the server was started again', () => {
    const later = { started: '2026-03-02T20:00:00.000Z' }
    const [step] = nextSteps(facts({ pulls: [pull({})], ...later }))
    expect(step).toMatchObject({ weight: 'act' })
    expect(step?.text).toMatch(
      /^192\.0\.2\.31 has only part of desk\.bin, as far as is known: its pull of [\d:]{8} broke off before this start\. Let it pull again/,
    )
    const again = pull({ begun: '2026-03-02T20:05:00.000Z', fetches: ['2'], state: 'complete' })
    expect(nextSteps(facts({ pulls: [pull({}), again], ...later }))).toEqual([])
  })

  test('what broke off when the server ended was a step for each device', () => {
    const pulls = ['1', '2', '3'].map((digit) =>
      pull({ client: { address: `192.0.2.${digit}`, mac: null, device: null }, fetches: [digit] }),
    )
    const steps = nextSteps(facts({ pulls, started: '2026-03-02T20:00:00.000Z' }))
    expect(steps).toMatchObject([
      {
        things: 3,
        text: '192.0.2.1, 192.0.2.2, 192.0.2.3 have only part of desk.bin, as far as is known: their pulls broke off before this start. Let them pull again before they restart.',
      },
    ])
  })

  test('of an earlier day it is left to the audit, unless the server lost track of it', () => {
    const later = { started: '2026-03-03T08:00:00.000Z' }
    expect(nextSteps(facts({ pulls: [pull({})], ...later }))).toEqual([])
    // Its ending was written when the server was started again.
    const lost = pull({ ended: '2026-03-03T07:59:59.900Z' })
    expect(nextSteps(facts({ pulls: [lost], ...later }))[0]?.text).toContain('has only part of desk.bin')
  })

  test('to pull again was advised of an image that is not on offer', () => {
    const [step] = nextSteps(facts({ pulls: [pull({})], images: [image({ name: 'other.bin' })] }))
    expect(step?.text).toContain('The image is not on offer now')
    expect(step?.text).not.toContain('pull again')
  })

  test('what stands for many is counted as many', () => {
    const images = Array.from({ length: 50 }, (_, at) => image({ name: `${at}.bin`, state: 'held' }))
    const pulls = Array.from({ length: 8 }, (_, at) =>
      pull({ client: { address: `192.0.2.${at}`, mac: null, device: null }, fetches: [String(at)] }),
    )
    expect(handsIn(nextSteps(facts({ images, pulls })))).toBe(58)
  })

  test('a ledger that cannot be written comes first', () => {
    const steps = nextSteps(facts({ ledgerWritable: false, images: [image({ state: 'held' })] }))
    expect(steps.map(({ key }) => key.split(' ')[0])).toEqual(['ledger', 'held'])
  })
})

const row = (members: Partial<VisitRowView>): VisitRowView => ({
  device: 'desk',
  address: null,
  mac: null,
  mark: 'waiting',
  pull: null,
  targetGuessed: false,
  image: 'desk.bin',
  versionBefore: null,
  versionTarget: null,
  versionAfter: null,
  standing: 'waiting',
  refused: false,
  wrongImage: null,
  warnings: [],
  note: null,
  remarks: [],
  ...members,
})

const visit = (members: Partial<VisitView>): VisitView => ({
  file: 'visit.csv',
  errors: [],
  rows: [],
  strangers: [],
  wrongImages: [],
  wrongPulls: [],
  ...members,
})

test('pulls that have stalled for more than two minutes are one line that alarms nobody, those of a minute none', () => {
  const now = Date.parse('2026-11-25T20:10:00Z')
  const since = (minutes: number, device: string): LivePull =>
    ({
      ...pull({ client: { address: '192.0.2.9', mac: null, device }, state: 'running' }),
      bytesNow: 1,
      movement: 'stalled',
      stalledSince: new Date(now - minutes * 60_000).toISOString(),
    }) as LivePull
  const stalls = longStalls([since(1, 'desk'), since(2, 'hall'), since(14, 'attic')], now)
  const steps = nextSteps(facts({ stalls })).filter(({ key }) => key.startsWith('stall'))
  expect(steps).toMatchObject([
    { weight: 'look', text: expect.stringMatching(/^hall, attic: nothing has moved/) },
  ])
})

describe('the visit sheet', () => {
  test('who is on no row and took image bytes was only in a list below', () => {
    const strangers = Array.from({ length: 7 }, (_none, at) => ({
      client: `203.0.113.${at}`,
      image: 'x.bin',
      latest: null,
      remark: null,
    }))
    const steps = nextSteps(facts({ visit: visit({ strangers }) })).filter(({ key }) =>
      key.startsWith('stranger'),
    )
    expect(steps).toHaveLength(6)
    expect(steps[0]?.text).toContain('203.0.113.0 is not on the visit sheet and fetched x.bin.')
    expect(steps.at(-1)).toMatchObject({ things: 2 })
  })

  test('of a planned device that was refused its standing tells why, once', () => {
    const warnings = ['It was refused at 21:04:10 with 403: it is outside the ranges that may fetch.']
    const rows = [row({ address: '203.0.113.7', standing: 'refused: 403', refused: true, warnings })]
    const texts = nextSteps(facts({ refusals: [refusal({})], visit: visit({ rows }) })).map(
      ({ text }) => text,
    )
    expect(texts.filter((text) => text.includes('refused'))).toEqual([`desk: ${warnings[0]}`])
  })

  const pulled = { key: 'a', underWay: false, text: 'hall fetched x.bin. Look at the device.' }
  const underWay = { key: 'b', underWay: true, text: 'desk pulls x.bin; planned is y.bin. Stop it there.' }

  test('a wrong image under way stood below a full disk and had the words of one that is over', () => {
    const steps = nextSteps(
      facts({
        ledgerWritable: false,
        images: [image({ state: 'held' })],
        visit: visit({ wrongImages: [pulled, underWay] }),
      }),
    )
    expect(steps.map(({ weight }) => weight)).toEqual(['alarm', 'alarm', 'act', 'act'])
    expect(steps[0]?.text).toBe(underWay.text)
    expect(steps[1]?.text).toBe(pulled.text)
  })

  test('a wrong image that broke off was to be pulled again', () => {
    const steps = nextSteps(
      facts({ pulls: [pull({})], visit: visit({ wrongImages: [pulled], wrongPulls: ['1'] }) }),
    )
    expect(steps.map(({ key }) => key)).toEqual(['a'])
  })

  test('a warning of many devices was a line each, with advice for a wrong image', () => {
    const warnings = ['The planned image y.bin was never on offer.']
    const rows = ['a', 'b', 'c', 'd', 'e', 'f', 'g'].map((device) => row({ device, warnings }))
    expect(nextSteps(facts({ visit: visit({ rows }) }))).toMatchObject([
      { weight: 'act', text: `a, b, c, d, e and 2 more: ${warnings[0]}`, things: 7 },
    ])
  })

  test('hints come after what needs a look', () => {
    const steps = nextSteps(facts({ images: [], visit: visit({ errors: ['row 3: x'] }) }))
    expect(steps.map(({ weight }) => weight)).toEqual(['look', 'tip'])
  })
})

test('a client that may not fetch comes with the setting that admits it, once', () => {
  const steps = nextSteps(
    facts({ refusals: [refusal({}), refusal({}), refusal({ status: 404, hint: null })] }),
  )
  expect(steps).toHaveLength(1)
  expect(steps[0]?.text).toBe(
    '203.0.113.7 was refused: It is outside the ranges that may fetch. To admit it, start again with --allow 203.0.113.7/32.',
  )
})

test('the newest troubles are told, newest first, with their time', () => {
  const troubles = ['one', 'two', 'three', 'four'].map((message, at) => ({
    at: `2026-03-02T09:00:0${at}.000Z`,
    message,
  }))
  expect(nextSteps(facts({ troubles })).map(({ text }) => text)).toEqual(
    ['3: four', '2: three', '1: two'].map((end) =>
      expect.stringMatching(new RegExp(`^\\d\\d:\\d\\d:0${end}$`)),
    ),
  )
})

test('nothing from outside turns a sentence round', () => {
  const name = 'desk\u202enib.exe\n'
  const [step] = nextSteps(facts({ images: [image({ name, state: 'held', reason: '\u001b[31m' })] }))
  expect(step?.text).toContain('desk\\u{202e}nib.exe\\x0a is held: \\x1b[31m')
  expect(step?.image).toBe(name)
})

test('keys are unique, so that nothing is told twice', () => {
  const steps = nextSteps(
    facts({
      images: [image({ state: 'held' }), image({ name: 'b.bin', state: 'locked' })],
      pulls: [pull({}), pull({ client: { address: '192.0.2.32', mac: null, device: null }, fetches: ['2'] })],
      refusals: [refusal({}), refusal({ client: { address: '203.0.113.8' } })],
      ledgerWritable: false,
    }),
  )
  expect(new Set(steps.map(({ key }) => key)).size).toBe(steps.length)
  expect(steps.length).toBe(7)
})

test('what stops of a client may mean is a guess, with the name of the device', () => {
  const hints = [
    {
      kind: 'same-offset',
      grade: 'guess',
      client: '192.0.2.31',
      image: 'desk.bin',
      sentence: 'Stopped 3 times near the same place.',
      fetches: ['1', '2', '3'],
    },
  ] as const
  const client = { address: '192.0.2.31', mac: null, device: 'reading-room-sw1' }
  const [step] = nextSteps(facts({ hints, pulls: [pull({ client, state: 'complete' })] }))
  expect(step).toMatchObject({
    weight: 'look',
    text: 'A guess about reading-room-sw1 and desk.bin: Stopped 3 times near the same place.',
  })
})
