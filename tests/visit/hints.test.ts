/** Guesses from how fetches went. */
import { describe, expect, it } from 'vitest'
import type { FetchRecord } from '../../server/delivery/records.ts'
import { hintsFrom } from '../../server/visit/hints.ts'

const MIB = 1024 * 1024
const image = {
  name: 'reading-room-switch-4.4.2.bin',
  plainPath: '/reading-room-switch-4.4.2.bin',
  bytes: 100 * MIB,
  sha256: 'ab'.repeat(32),
}
let ids = 0
function fetch(over: Partial<FetchRecord>): FetchRecord {
  ids += 1
  return {
    id: String(ids),
    begunSeq: ids,
    endedSeq: null,
    door: 'http',
    client: { address: '192.0.2.11', port: 40_000 + ids },
    options: null,
    resent: null,
    localAddress: '192.0.2.20',
    method: 'GET',
    target: image.plainPath,
    httpVersion: '1.1',
    userAgent: null,
    range: null,
    image,
    status: 200,
    ending: 'cut',
    acknowledged: null,
    first: 0,
    bytesPromised: image.bytes,
    bytesHandedOver: 0,
    begun: new Date(Date.UTC(2026, 0, 5, 20, ids)).toISOString(),
    ended: null,
    firstByteMs: 1,
    lastByteMs: null,
    acknowledgedMs: null,
    run: 1,
    upMs: null,
    durationMs: 20_000,
    reason: null,
    hint: null,
    versionChanged: false,
    rehearsal: false,
    beside: 0,
    count: 1,
    ...over,
  }
}
const kinds = (fetches: readonly FetchRecord[], linkMbps?: number) =>
  hintsFrom(fetches, linkMbps).map(({ kind }) => kind)

describe('stopped again and again at one offset', () => {
  const stops = [61.2, 62.9, 61].map((at) => fetch({ bytesHandedOver: at * MIB }))

  it('is told with the place and the fetches, as a guess', () => {
    expect(hintsFrom(stops)).toEqual([
      {
        kind: 'same-offset',
        client: '192.0.2.11',
        image: image.name,
        sentence: expect.stringMatching(
          /^Stopped 3 times near the same place \(about 61 % of the image\)\. Perhaps/,
        ),
        fetches: stops.map(({ id }) => id),
      },
    ])
  })

  it('is not told any more once the image was delivered', () => {
    const done = fetch({ ending: 'delivered', bytesHandedOver: image.bytes })
    expect(kinds([...stops, done])).toEqual([])
    expect(kinds([done, ...stops])).toEqual(['same-offset'])
  })

  it('is not told of clients that reset after the last byte: they had room', () => {
    const late = [1, 2, 3].map(() => fetch({ ending: 'reset-late', bytesHandedOver: image.bytes }))
    expect(kinds(late)).toEqual([])
  })

  it('counts resumes by where in the image they stopped', () => {
    const [first, second] = stops
    const resume = fetch({ first: 60 * MIB, bytesPromised: 40 * MIB, bytesHandedOver: 2 * MIB })
    expect(kinds([first, second, resume].filter((one) => one !== undefined))).toEqual(['same-offset'])
  })

  it('is not told of two stops, of stops far apart, or of two clients', () => {
    expect(kinds(stops.slice(0, 2))).toEqual([])
    expect(kinds([20, 40, 61].map((at) => fetch({ bytesHandedOver: at * MIB })))).toEqual([])
    const other = fetch({ client: { address: '192.0.2.12' }, bytesHandedOver: 61 * MIB })
    expect(kinds([...stops.slice(0, 2), other])).toEqual([])
  })

  it('is not told of a small image, where the same few MiB are the whole of it', () => {
    const small = { ...image, bytes: 3 * MIB }
    const ends = [1, 2, 2.9].map((at) =>
      fetch({ image: small, bytesPromised: 3 * MIB, bytesHandedOver: at * MIB }),
    )
    expect(kinds(ends)).toEqual([])
  })

  it('follows a device by its hardware address when its network address changes', () => {
    const moved = stops.map((one, index) => ({
      ...one,
      client: { address: `192.0.2.${50 + index}`, mac: '00:00:5e:00:53:11' },
    }))
    expect(hintsFrom(moved)).toMatchObject([{ kind: 'same-offset', client: '00:00:5e:00:53:11' }])
  })

  it('does not count what was withdrawn here, or a rehearsal', () => {
    expect(kinds(stops.map((one) => ({ ...one, rehearsal: true })))).toEqual([])
    expect(kinds(stops.map((one) => ({ ...one, ending: 'withdrawn' as const })))).toEqual([])
  })
})

describe('stopped within the first window', () => {
  const stuck = [1, 2, 3].map(() => fetch({ bytesHandedOver: 128 * 1024, durationMs: 30_000 }))

  it('is told once, and not as a full flash', () => {
    expect(hintsFrom(stuck)).toMatchObject([
      { kind: 'first-window', sentence: expect.stringContaining('MTU') },
    ])
  })

  it('is not told of clients that only looked', () => {
    expect(kinds(stuck.slice(0, 2).map((one) => ({ ...one, durationMs: 40 })))).toEqual([])
  })

  it('is not told when more than that had gone, or of one stop', () => {
    expect(kinds(stuck.slice(0, 2).map((one) => ({ ...one, bytesHandedOver: 256 * 1024 + 1 })))).toEqual([])
    expect(kinds(stuck.slice(0, 1))).toEqual([])
  })
})

describe('much slower than the link', () => {
  const whole = (lastByteMs: number, over: Partial<FetchRecord> = {}) =>
    fetch({ ending: 'delivered', bytesHandedOver: image.bytes, lastByteMs, durationMs: lastByteMs, ...over })

  it('is told with both rates', () => {
    // 104,857,600 bytes in 400 s are 2.1 Mb/s.
    expect(hintsFrom([whole(400_000)])).toMatchObject([
      {
        kind: 'slow',
        sentence: expect.stringMatching(/^Much slower than the link: 2\.1 of 100 Mb\/s\. Perhaps/),
      },
    ])
  })

  it('is measured against the link that is there', () => {
    // 20 s: 42 Mb/s, fine on 100 Mb/s and slow on 1 Gb/s.
    expect(kinds([whole(20_000)])).toEqual([])
    expect(kinds([whole(20_000)], 1_000)).toEqual(['slow'])
  })

  it('does not count the time that the device takes to close after the last byte', () => {
    expect(kinds([whole(20_000, { durationMs: 900_000 })])).toEqual([])
  })

  it('is not told of a device that shares the link with many', () => {
    const begun = '2026-01-05T21:00:00.000Z'
    const crowd = Array.from({ length: 24 }, (_unused, index) =>
      whole(400_000, { begun, client: { address: `192.0.2.${100 + index}` } }),
    )
    expect(kinds(crowd)).toEqual([])
  })

  it('is not told of a small image', () => {
    expect(kinds([whole(400_000, { bytesHandedOver: 8 * MIB - 1 })])).toEqual([])
  })
})
