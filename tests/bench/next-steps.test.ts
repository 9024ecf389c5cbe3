/** What the page says to do next, from facts alone. */
import { describe, expect, test } from 'vitest'
import { nextSteps, type StepFacts } from '../../server/bench/next-steps.ts'
import type { VisitRowView } from '../../server/bench/snapshot-shape.ts'
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
  urls: [{ url: 'http://192.0.2.10:8080', port: 8080 }],
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
  ledgerWritable: true,
  firewall: [],
  visit: null,
  pulls: [],
  hints: [],
  nowMs: Date.parse('2026-03-02T10:00:00.000Z'),
  ...members,
})

test('when all is well there is nothing to do', () => {
  expect(nextSteps(facts({}))).toEqual([])
})

describe('a first run', () => {
  test('an empty folder is named, to copy an image into', () => {
    const [step] = nextSteps(facts({ images: [] }))
    expect(step).toMatchObject({ weight: 'tip', line: '/library-visit' })
  })

  test('a machine with nothing but loopback is told that nothing can reach it', () => {
    const [step] = nextSteps(facts({ addresses: [{ ...ADDRESS, loopback: true, offerable: false }] }))
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

  test('many held images are counted', () => {
    const images = Array.from({ length: 50 }, (_, at) => image({ name: `${at}.bin`, state: 'held' }))
    const steps = nextSteps(facts({ images }))
    expect(steps).toHaveLength(6)
    expect(steps.at(-1)?.text).toContain('45 more images are held')
  })

  test('a device that has not got all of an image is named until it has', () => {
    const [step] = nextSteps(facts({ pulls: [pull({})] }))
    expect(step?.weight).toBe('act')
    expect(step?.text).toContain('192.0.2.31 has not got all of desk.bin')
    const again = pull({ begun: '2026-03-02T09:05:00.000Z', fetches: ['2'] })
    for (const state of ['running', 'complete', 'unconfirmed'] as const) {
      expect(nextSteps(facts({ pulls: [pull({}), { ...again, state }] })), state).toEqual([])
    }
  })

  test('what broke off within hours is named, also when the server was started anew; what is older is for the audit', () => {
    const told = (now: string) => nextSteps(facts({ pulls: [pull({})], nowMs: Date.parse(now) })).length
    expect(told('2026-03-02T20:00:00.000Z')).toBe(1)
    expect(told('2026-03-03T09:00:00.000Z')).toBe(0)
  })

  test('a wrong image on its way comes before all else, what is only worth a look after what needs a hand', () => {
    const row = (members: Partial<VisitRowView>): VisitRowView => ({
      device: 'desk',
      address: null,
      image: null,
      versionBefore: null,
      versionTarget: null,
      versionAfter: null,
      standing: '',
      wrong: false,
      wrongImage: null,
      warnings: [],
      note: null,
      ...members,
    })
    const wrongImage = { name: 'radio.img', planned: 'desk.bin', underWay: '7' }
    const steps = nextSteps(
      facts({
        ledgerWritable: false,
        images: [image({ state: 'locked' }), image({ name: 'held.bin', state: 'held' })],
        visit: {
          file: 'visit.csv',
          errors: ['row 2: a', 'row 3: b', 'row 4: c', 'row 5: d', 'row 6: e'],
          rows: [
            row({ warnings: ['Downgrade: 2.8 is older than 2.9.'] }),
            row({ wrongImage: { ...wrongImage, underWay: null } }),
            row({ device: 'hall', wrongImage }),
          ],
          strangers: [],
        },
      }),
    )
    expect(steps.map(({ weight }) => weight)).toEqual([...Array(5).fill('act'), ...Array(5).fill('look')])
    expect(steps.map(({ text }) => text).slice(0, 2)).toEqual([
      'WRONG IMAGE: hall is pulling radio.img; planned is desk.bin. Stop it there before it writes.',
      'WRONG IMAGE: desk has pulled radio.img; planned is desk.bin. Look at the device before it restarts.',
    ])
    expect(steps.map(({ text }) => text)).toContain('desk: Downgrade: 2.8 is older than 2.9.')
    expect(steps.map(({ text }) => text).join()).toContain('2 more things to correct')
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
    const named = pull({
      client: { address: '192.0.2.31', mac: null, device: 'reading-room-sw1' },
      state: 'complete',
    })
    const [step] = nextSteps(facts({ hints, pulls: [named] }))
    expect(step).toMatchObject({
      weight: 'look',
      text: 'A guess about reading-room-sw1 and desk.bin: Stopped 3 times near the same place.',
    })
  })

  test('a ledger that cannot be written comes first', () => {
    const steps = nextSteps(facts({ ledgerWritable: false, images: [image({ state: 'held' })] }))
    expect(steps.map(({ key }) => key.split(' ')[0])).toEqual(['ledger', 'held'])
  })
})

test('a client that may not fetch comes with the setting that admits it, once', () => {
  const steps = nextSteps(
    facts({ refusals: [refusal({}), refusal({}), refusal({ status: 404, hint: null })] }),
  )
  expect(steps).toHaveLength(1)
  expect(steps[0]?.text).toContain('--allow 203.0.113.7/32')
})

test('the newest troubles are told, newest first', () => {
  const troubles = ['one', 'two', 'three', 'four'].map((message, at) => ({
    at: `2026-03-02T09:00:0${at}.000Z`,
    message,
  }))
  expect(nextSteps(facts({ troubles })).map(({ text }) => text)).toEqual(['four', 'three', 'two'])
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
