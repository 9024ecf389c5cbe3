import { describe, expect, test } from 'vitest'
import { type Answer, answer, type Question } from '../../server/image-port/answer.ts'
import type { Image, ReadyImage, Version } from '../../server/staging/image.ts'

const SHA = 'a'.repeat(64)
const OTHER = 'b'.repeat(64)

function imageOf(change: Partial<Image> & { bytes?: number } = {}): Image {
  const bytes = change.bytes ?? 1000
  const version: Version = {
    sha256: SHA,
    bytes,
    crc32: '00000000',
    blockBytes: 262_144,
    blocks: new Uint8Array(),
    blocksSha256: SHA,
    identity: { dev: 1n, ino: 1n, size: BigInt(bytes), mtimeNs: 1n, ctimeNs: 1n },
    more: {},
  }
  return {
    name: 'switch.bin',
    file: '/staging/switch.bin',
    plainPath: '/switch.bin',
    digestPath: '/aaaaaaaa.bin',
    bytes,
    modifiedMs: Date.parse('2026-03-03T18:00:00Z'),
    state: 'ready',
    version,
    published: { standing: 'none' },
    format: { kind: 'unknown', verdict: 'unknown' },
    notes: [],
    ...change,
  }
}

function ask(change: Partial<Question> = {}, image = imageOf()): Answer {
  return answer({
    httpVersion: '1.1',
    method: 'GET',
    admitted: { kind: 'image', image: image as ReadyImage },
    headers: {},
    denyPart: () => undefined,
    ...change,
  })
}

describe('a ready image', () => {
  test('whole, in part, unsatisfiable', () => {
    expect(ask()).toMatchObject({ kind: 'body', status: 200, first: 0, promised: 1000 })
    expect(ask({ headers: { range: 'bytes=100-199' } })).toMatchObject({
      status: 206,
      first: 100,
      promised: 100,
    })
    expect(ask({ headers: { range: 'bytes=1000-' } })).toMatchObject({
      kind: 'refusal',
      status: 416,
      fields: ['Content-Range', 'bytes */1000'],
    })
  })

  test('HEAD gets headers alone, whatever range it names (RFC 9110 §14.2)', () => {
    expect(ask({ method: 'HEAD', headers: { range: 'bytes=1000-' } })).toMatchObject({
      kind: 'headers',
      status: 200,
    })
  })

  test('an empty one, lifted by a person, has no body to send', () => {
    expect(ask({}, imageOf({ bytes: 0 }))).toMatchObject({ kind: 'headers', status: 200 })
  })
})

describe('a resume by a client that began another version', () => {
  const denied = {
    kind: 'denied',
    denial: 'other version',
    reason: 'it was replaced',
    hint: 'begin anew',
  } as const
  const begun = { denyPart: () => denied }

  test('is refused, with a sentence as its body where it goes on to the end: curl fails of that alone', () => {
    const refused = { kind: 'refusal', status: 412, versionChanged: true, reason: 'it was replaced' }
    for (const range of ['bytes=500-', 'bytes=1000-', 'bytes=5000-']) {
      expect(ask({ ...begun, headers: { range } })).toMatchObject({
        ...refused,
        text: 'it was replaced: begin anew.\n',
      })
    }
    for (const range of ['bytes=500-599', 'bytes=-10', 'bytes=2000-3000']) {
      const answered = ask({ ...begun, headers: { range } })
      expect(answered).toMatchObject(refused)
      expect(answered).not.toHaveProperty('text')
    }
  })

  test('is asked about with its offset, and whether it goes on to the end', () => {
    const asked: unknown[] = []
    const denyPart: Question['denyPart'] = (_image, part) => void asked.push(part)
    for (const range of ['bytes=500-', 'bytes=500-599', 'bytes=-10', 'bytes=1000-', 'bytes=0-', 'bytes=0-99'])
      ask({ denyPart, headers: { range } })
    expect(asked).toEqual([
      { first: 500, onward: true },
      { first: 500, onward: false },
      { first: 990, onward: false },
      { first: 1000, onward: true },
    ])
  })

  test('from byte 0 is served as ever', () => {
    expect(ask({ ...begun, headers: { range: 'bytes=0-99' } })).toMatchObject({ status: 206, promised: 100 })
    expect(ask({ ...begun, headers: {} })).toMatchObject({ status: 200 })
  })

  test('with the tag of this version as If-Range may go on: it says itself what it holds', () => {
    expect(ask({ ...begun, headers: { range: 'bytes=500-', 'if-range': `"${SHA}"` } })).toMatchObject({
      status: 206,
    })
  })

  test('"I hold all of it" is refused even then', () => {
    expect(ask({ ...begun, headers: { range: 'bytes=1000-', 'if-range': `"${SHA}"` } })).toMatchObject({
      status: 412,
    })
  })

  test('with the old tag gets it whole', () => {
    expect(ask({ ...begun, headers: { range: 'bytes=500-', 'if-range': `"${OTHER}"` } })).toMatchObject({
      status: 200,
      versionChanged: true,
    })
  })
})

describe('what is refused', () => {
  test.each([
    ['not allowed', 403],
    ['not planned', 403],
    ['unknown name', 404],
    ['held', 409],
    ['not ready', 503],
    ['unavailable', 503],
  ] as const)('%s: %i, a 503 with the time to come back', (denial, status) => {
    const refusal = ask({ admitted: { kind: 'denied', denial, reason: 'because' } })
    expect(refusal).toMatchObject({ kind: 'refusal', status, reason: 'because' })
    expect('fields' in refusal ? refusal.fields : undefined).toEqual(
      status === 503 ? ['Retry-After', '5'] : undefined,
    )
  })

  test.each(['POST', 'PUT', 'DELETE', 'OPTIONS', 'PROPFIND'])('%s: 405 with Allow', (method) => {
    expect(ask({ method })).toMatchObject({ status: 405, fields: ['Allow', 'GET, HEAD'] })
  })

  test('who is not allowed learns no more than that, whatever the method', () => {
    const admitted = { kind: 'denied', denial: 'not allowed', reason: 'because' } as const
    expect(ask({ method: 'POST', admitted })).toMatchObject({ status: 403 })
  })
})
