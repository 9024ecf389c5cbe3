/**
 * Requests for fuzzing, as text of one character a byte: some valid, some nearly so, some nothing of the kind.
 * They shrink towards short and plain ones.
 */
import fc from 'fast-check'

export interface FuzzImage {
  readonly path: string
  readonly bytes: Buffer
  readonly etag: string
}

/** A request, and what its answer is known to be, where that is known. */
export interface Fuzzed {
  readonly kind: 'range' | 'target' | 'fields' | 'line' | 'mutated'
  readonly text: string
  /** Sent in two pieces, the second when the first has gone. */
  readonly splitAt?: number
  readonly ranged?: {
    readonly image: number
    readonly range: string
    readonly ifRange: 'none' | 'same' | 'other'
  }
}

const anyByte = fc.integer({ min: 0, max: 255 }).map((code) => String.fromCharCode(code))
const ows = fc.constantFrom('', '', '', ' ', '\t', '  ')
const noise = fc.oneof(
  fc.string({ unit: anyByte, maxLength: 12 }),
  fc.constantFrom(
    '\r',
    '\n',
    '\r\n',
    '\0',
    '\x1b[2J',
    '\xff\xfe',
    '\x7f',
    '"',
    '\\',
    '%',
    ':',
    ' ',
    '\t',
    '\r\n\r\n',
  ),
)

function rangeValue(images: readonly FuzzImage[]): fc.Arbitrary<string> {
  const sizes = images.flatMap(({ bytes: { length } }) => [length - 1, length, length + 1])
  const position = fc.oneof(
    fc.nat(25).map(String),
    fc.constantFrom(...sizes).map(String),
    fc.constantFrom(
      '',
      '00',
      '007',
      '262143',
      '262144',
      '4294967296',
      '9007199254740991',
      '9007199254740992',
      '9007199254740993',
      '18446744073709551616',
      '9'.repeat(400),
      '1e3',
      '0x10',
      '+5',
      '-1',
      '1.0',
      '\xb2',
    ),
  )
  const spec = fc.oneof(
    { arbitrary: fc.tuple(position, position).map(([a, b]) => `${a}-${b}`), weight: 8 },
    { arbitrary: position, weight: 1 },
    {
      arbitrary: fc.constantFrom('-', '--', '0--1', '0-1-2', ' 0 - 1 ', 'x-y', '\xa00-5', '0-5\xa0'),
      weight: 1,
    },
  )
  const element = fc.tuple(ows, spec, ows).map((parts) => parts.join(''))
  const set = fc.oneof(
    { arbitrary: spec, weight: 4 },
    { arbitrary: fc.array(fc.oneof(element, ows), { maxLength: 4 }).map((all) => all.join(',')), weight: 2 },
  )
  const unit = fc.oneof(
    { arbitrary: fc.constant('bytes'), weight: 8 },
    {
      arbitrary: fc.constantFrom('BYTES', 'Bytes', 'byte', 'bits', 'none', '', 'bytes ', 'bytes\xa0'),
      weight: 1,
    },
  )
  return fc
    .tuple(unit, fc.constantFrom('=', '=', '=', '=', '=', '==', ':', ' '), set)
    .map((parts) => parts.join(''))
}

function rangeRequest(images: readonly FuzzImage[]): fc.Arbitrary<Fuzzed> {
  return fc
    .record({
      image: fc.nat(images.length - 1),
      range: rangeValue(images),
      ifRange: fc.constantFrom('none', 'none', 'none', 'same', 'other'),
      before: ows,
      after: ows,
      version: fc.constantFrom('1.1', '1.0'),
    })
    .map(({ image, range, ifRange, before, after, version }) => {
      const { path = '', etag = '' } = images[image] ?? {}
      const fields = [
        'Host: a',
        `Range:${before}${range}${after}`,
        ...(ifRange === 'none' ? [] : [`If-Range: ${ifRange === 'same' ? etag : `W/${etag}`}`]),
      ]
      const text = `GET ${path} HTTP/${version}\r\n${fields.join('\r\n')}\r\n\r\n`
      return { kind: 'range', text, ranged: { image, range: range.replace(/^[ \t]+|[ \t]+$/g, ''), ifRange } }
    })
}

function targetRequest(images: readonly FuzzImage[]): fc.Arbitrary<Fuzzed> {
  const segment = fc.oneof(
    fc.constantFrom(...images.map(({ path }) => path.slice(1))),
    fc.constantFrom(
      '..',
      '.',
      '%2e%2e',
      '.fetchproof',
      'ledger.ndjson',
      '.secret.bin',
      'sub',
      'canary.bin',
      'etc',
    ),
    fc.constantFrom(
      '%00',
      '%',
      '%zz',
      '%252e',
      '+',
      '?',
      '#',
      '*',
      '::$DATA',
      'CON',
      '__proto__',
      '%c0%ae',
      '.sha256',
    ),
    noise,
  )
  const glue = fc.constantFrom('/', '//', '%2f', '\\', '%5c', '', ' ')
  const target = fc.array(fc.tuple(glue, segment), { maxLength: 6 }).map((parts) => parts.flat().join(''))
  const start = fc.constantFrom('/', '/', '', 'http://a/', 'file:///', '//a/')
  return fc
    .tuple(fc.constantFrom('GET', 'GET', 'HEAD', 'POST'), start, target)
    .map(([method, front, rest]) => ({
      kind: 'target',
      text: `${method} ${front}${rest} HTTP/1.1\r\nHost: a\r\n\r\n`,
    }))
}

function fieldsRequest(images: readonly FuzzImage[]): fc.Arbitrary<Fuzzed> {
  const etags = images.map(({ etag }) => etag)
  const name = fc.oneof(
    fc.constantFrom(
      'Host',
      'Range',
      'If-Range',
      'If-Match',
      'If-None-Match',
      'If-Modified-Since',
      'Connection',
    ),
    fc.constantFrom(
      'Content-Length',
      'Transfer-Encoding',
      'Expect',
      'Upgrade',
      'User-Agent',
      '__proto__',
      'constructor',
    ),
    noise,
  )
  const value = fc.oneof(
    fc.constantFrom(
      ...etags,
      '*',
      'W/"x"',
      'close',
      'keep-alive',
      'chunked',
      '100-continue',
      '0',
      '1',
      '-1',
      'h2c',
    ),
    fc.constantFrom(
      'bytes=0-',
      'Wed, 21 Oct 2015 07:28:00 GMT',
      'Wed, 21 Oct 2099 07:28:00 GMT',
      'x'.repeat(3000),
    ),
    noise,
  )
  const field = fc.tuple(
    name,
    fc.constantFrom(': ', ':', ' : ', ''),
    value,
    fc.constantFrom('\r\n', '\r\n', '\r\n', '\n', '\r', '\r\n '),
  )
  return fc
    .tuple(
      fc.constantFrom('GET', 'GET', 'HEAD'),
      fc.constantFrom(...images.map(({ path }) => path)),
      fc.array(field, { maxLength: 6 }).map((fields) => fields.flat().join('')),
    )
    .map(([method, path, fields]) => ({
      kind: 'fields',
      text: `${method} ${path} HTTP/1.1\r\n${fields}\r\n`,
    }))
}

function lineRequest(images: readonly FuzzImage[]): fc.Arbitrary<Fuzzed> {
  const method = fc.oneof(
    fc.constantFrom(
      'GET',
      'HEAD',
      'POST',
      'PUT',
      'DELETE',
      'OPTIONS',
      'TRACE',
      'CONNECT',
      'PRI',
      'get',
      'SOURCE',
    ),
    noise,
  )
  const gap = fc.constantFrom(' ', ' ', ' ', '', '  ', '\t', '\r', '\n')
  const version = fc.oneof(
    fc.constantFrom('HTTP/1.1', 'HTTP/1.0', 'HTTP/0.9', 'HTTP/2.0', 'HTTP/1.9', 'http/1.1', ''),
    noise,
  )
  const end = fc.constantFrom('\r\n\r\n', '\r\nHost: a\r\n\r\n', '\n\n', '\r\n', '')
  return fc
    .tuple(method, gap, fc.constantFrom(...images.map(({ path }) => path), '*', 'a:1'), gap, version, end)
    .map((parts) => ({ kind: 'line', text: parts.join('') }))
}

function mutatedRequest(images: readonly FuzzImage[]): fc.Arbitrary<Fuzzed> {
  return fc
    .tuple(
      fc.constantFrom(...images),
      fc.constantFrom('GET', 'HEAD'),
      fc.array(fc.tuple(fc.nat(120), fc.nat(3), noise), { minLength: 1, maxLength: 4 }),
    )
    .map(([{ path, etag }, method, changes]) => {
      const valid = `${method} ${path} HTTP/1.1\r\nHost: a\r\nRange: bytes=2-9\r\nIf-Range: ${etag}\r\n\r\n`
      const text = changes.reduce(
        (now, [at, cut, put]) => now.slice(0, at) + put + now.slice(at + cut),
        valid,
      )
      return { kind: 'mutated', text }
    })
}

export function fuzzedRequest(images: readonly FuzzImage[]): fc.Arbitrary<Fuzzed> {
  const whole = fc.oneof(
    { arbitrary: rangeRequest(images), weight: 8 },
    { arbitrary: targetRequest(images), weight: 5 },
    { arbitrary: fieldsRequest(images), weight: 4 },
    { arbitrary: lineRequest(images), weight: 2 },
    { arbitrary: mutatedRequest(images), weight: 3 },
  )
  return fc.tuple(whole, fc.option(fc.nat(1000), { freq: 8, nil: undefined })).map(([fuzzed, split]) => {
    if (split === undefined || fuzzed.text.length < 2) return fuzzed
    return { ...fuzzed, splitAt: 1 + (split % (fuzzed.text.length - 1)) }
  })
}
