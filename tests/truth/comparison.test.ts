/** The judge of the truth test judged: each kind of untruth in an audit is found, and a true one passes. */
import { expect, test } from 'vitest'
import type { FetchRecord, PullRecord } from '../../server/delivery/records.ts'
import type { Audit } from '../commands/in-process.ts'
import { compare } from './comparison.ts'
import { type Device, READ_REQUEST, type RequestTruth, unanswered } from './device.ts'
import type { Images } from './images.ts'
import { createRandom } from './random.ts'

const SHA = 'a'.repeat(64)
const BYTES = 1000
const ADDRESS = '127.1.0.0'
const IMAGE = { name: 'panel.bin', plainPath: '/panel.bin', bytes: BYTES, sha256: SHA }

function device(
  received: number,
  leaving: RequestTruth['leaving'],
  more: Partial<RequestTruth> = {},
): Device {
  const request: RequestTruth = {
    ...unanswered({ device: 7, address: ADDRESS, port: 1025, method: 'GET', target: '/panel.bin' }, 0),
    status: 200,
    version: SHA,
    promised: BYTES,
    received,
    leaving,
    heldAfter: [{ first: 0, end: received }],
    endedAt: 1,
    ...more,
  }
  return {
    number: 7,
    address: ADDRESS,
    behaviour: 'played',
    random: createRandom('played'),
    image: 'panel.bin',
    planned: 'panel.bin',
    requests: [request],
    heldWhole: new Set(received === BYTES ? [SHA] : []),
    lastWhole: () => (received === BYTES ? SHA : undefined),
    get: () => Promise.resolve(undefined),
    getByTftp: () => Promise.resolve(request),
    kept: () => undefined,
    held: () => [],
    resumable: () => undefined,
    forget: () => undefined,
  }
}

function requestOf({ requests: [request] }: Device): RequestTruth {
  if (request === undefined) throw new Error('a device without a request')
  return request
}

const FETCH: FetchRecord = {
  id: '1',
  begunSeq: 2,
  endedSeq: 3,
  door: 'http',
  client: { address: ADDRESS, port: 1025 },
  options: null,
  resent: null,
  localAddress: '127.0.0.1',
  method: 'GET',
  target: '/panel.bin',
  httpVersion: '1.1',
  userAgent: 'truth-device/7',
  range: null,
  image: IMAGE,
  status: 200,
  ending: 'delivered',
  acknowledged: null,
  first: 0,
  bytesPromised: BYTES,
  bytesHandedOver: BYTES,
  begun: '2026-11-25T20:00:00.000Z',
  ended: '2026-11-25T20:00:01.000Z',
  firstByteMs: 1,
  lastByteMs: 2,
  acknowledgedMs: null,
  run: 1,
  upMs: null,
  durationMs: 3,
  reason: null,
  hint: null,
  versionChanged: false,
  beside: 0,
  rehearsal: false,
  count: 1,
}

const PULL: PullRecord = {
  client: { address: ADDRESS, mac: null, device: null },
  image: IMAGE,
  state: 'complete',
  bytesCovered: BYTES,
  begunSeq: 2,
  latestSeq: 3,
  begun: FETCH.begun,
  ended: FETCH.ended,
  seconds: 1,
  bytesPerSecond: BYTES,
  versionChanged: false,
  shared: false,
  notes: [],
  fetches: ['1'],
}

function faultsOf(of: Device, fetches: readonly FetchRecord[], pulls: readonly PullRecord[]) {
  const audit: Audit = { fetches, pulls, ledger: { entries: 2, intact: true, head: '' } }
  const version = { image: 'panel.bin', sha256: SHA, bytes: BYTES, from: () => () => Buffer.alloc(0) }
  const images = { version: (sha256: string) => (sha256 === SHA ? version : undefined) } as Images
  return compare({ devices: [of], images, audit, lastLife: 0 })
}

test('a true record passes', () => {
  const { faults, due, dueComplete } = faultsOf(device(BYTES, 'in order'), [FETCH], [PULL])
  expect({ faults, due, dueComplete }).toEqual({ faults: [], due: 1, dueComplete: 1 })
})

const BY_TFTP = { door: 'tftp', method: null, userAgent: null, status: null } as const
const byTftp = (leaving: RequestTruth['leaving']) =>
  device(BYTES, leaving, { method: READ_REQUEST, status: undefined })

test('so does the true record of a device that read by TFTP and acknowledged the last block', () => {
  const record = { ...FETCH, ...BY_TFTP }
  expect(faultsOf(byTftp('in order'), [record], [PULL])).toMatchObject({ faults: [], due: 1, dueComplete: 1 })
})

test('a device that keeps the last acknowledgement back is not due, and must not stand as delivered', () => {
  const unconfirmed: FetchRecord = { ...FETCH, ...BY_TFTP, ending: 'unconfirmed' }
  const open: PullRecord = { ...PULL, state: 'unconfirmed', bytesCovered: 0 }
  expect(faultsOf(byTftp('vanished'), [unconfirmed], [open])).toMatchObject({ faults: [], due: 0 })
  expect(faultsOf(byTftp('vanished'), [{ ...FETCH, ...BY_TFTP }], [open]).faults.join()).toMatch(
    /WRONG CLAIM: .* has not acknowledged the last block/,
  )
})

const short = device(400, 'reset')
const cut: FetchRecord = { ...FETCH, ending: 'cut', bytesHandedOver: 600 }
const part: PullRecord = { ...PULL, state: 'incomplete', bytesCovered: 0 }

test('so does the true record of a device that reset', () => {
  expect(faultsOf(short, [cut], [part]).faults).toEqual([])
})

test.each([
  [0, 'begins another pull, which lacks the rest', 0],
  [500, 'goes on in its pull', 1],
])('a segment asked for again from byte %i %s', (at, _what, due) => {
  const whole = device(BYTES, 'in order')
  const request = requestOf(whole)
  const half = { ...request, status: 206, promised: 500, received: 500 }
  const lost = { ...half, first: at, received: 0, leaving: 'reset' as const }
  const rest = { ...half, first: 500 - at }
  const again = { ...half, first: at, begunAt: 2, endedAt: 3 }
  const requests = [lost, rest, again]
  expect(faultsOf({ ...whole, requests }, [], []).due).toBe(due)
})

test('nothing is due of a device that takes the same bytes twice at the same time', () => {
  const whole = device(BYTES, 'in order')
  const request = requestOf(whole)
  const part = { ...request, status: 206, first: 100, promised: 300, received: 300 }
  expect(faultsOf({ ...whole, requests: [request, part] }, [], []).due).toBe(0)
  expect(faultsOf({ ...whole, requests: [request, { ...part, begunAt: 1, endedAt: 2 }] }, [], []).due).toBe(1)
})

test.each<[string, Device, readonly FetchRecord[], readonly PullRecord[], RegExp]>([
  ['delivered, and bytes are missing', short, [FETCH], [part], /WRONG CLAIM: .* is delivered/],
  [
    'complete, and bytes are missing',
    short,
    [cut],
    [{ ...part, state: 'complete' }],
    /WRONG CLAIM: .* is complete/,
  ],
  ['more covered than is held', short, [cut], [{ ...part, bytesCovered: 401 }], /WRONG CLAIM: .* covers 401/],
  [
    'less handed over than was received',
    short,
    [{ ...cut, bytesHandedOver: 399 }],
    [part],
    /handed over 399/,
  ],
  ['delivered, and it ended with a reset', device(BYTES, 'reset'), [FETCH], [PULL], /ended with a reset/],
  ['no entry for a fetch', device(BYTES, 'in order'), [], [], /no entry for a fetch/],
  [
    'an entry without a fetch',
    short,
    [cut, { ...cut, id: '2', client: { address: ADDRESS, port: 1026 } }],
    [part],
    /entries without a request/,
  ],
  [
    'an entry of nobody',
    short,
    [cut, { ...cut, id: '2', client: { address: '127.1.0.9' } }],
    [part],
    /where no device stands/,
  ],
  [
    'another device is named',
    short,
    [{ ...cut, userAgent: 'truth-device/8' }],
    [part],
    /names truth-device\/8/,
  ],
  [
    'a refusal that nobody met',
    short,
    [cut, { ...cut, id: '2', ending: 'refused', status: 404 }],
    [part],
    /1 refusals on record/,
  ],
  ['a pull that still runs', short, [cut], [{ ...part, state: 'running' }], /still runs/],
  [
    'holds all, closed in order, and is not complete',
    device(BYTES, 'in order'),
    [{ ...FETCH, ending: 'unconfirmed' }],
    [{ ...part, state: 'unconfirmed' }],
    /only 0 of 1/,
  ],
  [
    'bytes of no version',
    device(400, 'reset', { foreign: 'bytes from 0 on' }),
    [cut],
    [part],
    /bytes from 0 on/,
  ],
  [
    'a short body that ended in order',
    device(400, 'lost', { shortInOrder: true }),
    [cut],
    [part],
    /ended in order after 400/,
  ],
])('found: %s', (_what, of, fetches, pulls, fault) => {
  expect(faultsOf(of, fetches, pulls).faults.join('\n')).toMatch(fault)
})

/** Refused with all connections taken, before its request was read. */
const MADE_ROOM: FetchRecord = {
  ...FETCH,
  method: null,
  target: null,
  httpVersion: null,
  userAgent: null,
  image: null,
  status: 503,
  ending: 'refused',
  bytesPromised: 0,
  bytesHandedOver: 0,
  reason: 'all connections were taken',
}

test.each([
  ['a 503', { status: 503, promised: 0, version: undefined }, 1],
  ['a 503 to a part', { status: 503, promised: 0, version: undefined, range: 'bytes=5-' }, 1],
  ['a connection that was lost', { status: undefined, promised: 0, version: undefined }, 1],
])(
  'a connection that made room unread was taken for a read by TFTP; its device met %s',
  (_what, met, count) => {
    const played = device(0, 'lost', met)
    expect(faultsOf(played, [{ ...MADE_ROOM, count }], []).faults).toEqual([])
  },
)

test('more that made room unread than devices met, and a 503 without any entry, are faults', () => {
  const met = device(0, 'lost', { status: 503, promised: 0, version: undefined })
  const twice = faultsOf(met, [{ ...MADE_ROOM, count: 2 }], []).faults
  expect(twice).toEqual([expect.stringContaining('2 connections that made room unread')])
  const none = faultsOf(met, [], []).faults
  expect(none).toEqual([expect.stringContaining('0 connections that made room unread')])
})
