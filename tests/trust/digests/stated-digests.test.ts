/** Exact forms of lists, what is not compared and why, properties over any text, and texts made to hurt. */
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import type { Algorithm } from '../../../server/trust/digests/algorithm.ts'
import { CHECKSUM_TEXT_BYTES, findDigests } from '../../../server/trust/digests/stated-digests.ts'
import { HOSTILE, hostileText } from './hostile.ts'
import { digestsOf, TEXTS } from './texts.ts'

// Digests of "abc": FIPS 180-4 example values (SHA family), RFC 1321 A.5 (MD5).
const SHA256 = 'ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad'
const SHA1 = 'a9993e364706816aba3e25717850c26c9cd0d89d'
const MD5 = '900150983cd24fb0d6963f7d28e17f72'

const read = (text: string | Uint8Array, expected?: Algorithm) => findDigests(text, expected)
const names = (text: string | Uint8Array) => read(text).stated.map((entry) => entry.names[0])

describe('exact forms', () => {
  it('reads GNU text and binary mode, folders and all', () => {
    const { stated, notRead } = read(`${SHA256}  a.bin\n${SHA1} *./sub/b.bin\n${MD5}  c d.bin\n`)
    expect(notRead).toEqual([])
    expect(stated).toMatchObject([
      { algorithm: 'sha256', digest: SHA256, names: ['a.bin'], line: 1, certain: true },
      { algorithm: 'sha1', digest: SHA1, names: ['./sub/b.bin'], line: 2, certain: true },
      { algorithm: 'md5', digest: MD5, names: ['c d.bin'], line: 3, certain: true },
    ])
  })

  it('undoes the backslash escapes only on lines that begin with a backslash', () => {
    expect(names(`\\${SHA256}  a\\\\b\\nc\\rd\n${SHA256}  a\\nb\n`)).toEqual(['a\\b\nc\rd', 'a\\nb'])
    expect(read(`\\${SHA256}  a\\tb\n`).notRead[0]?.what).toContain('backslash escape')
  })

  it('reads the BSD tagged form and both of OpenSSL', () => {
    const { stated } = read(
      `SHA256 (a (1).bin) = ${SHA256}\nSHA256(b.bin)= ${SHA256}\nSHA2-256(c.bin)= ${SHA256}\nMD5 (d) = ${MD5}\n`,
    )
    expect(stated.map((entry) => [entry.algorithm, entry.names[0]])).toEqual([
      ['sha256', 'a (1).bin'],
      ['sha256', 'b.bin'],
      ['sha256', 'c.bin'],
      ['md5', 'd'],
    ])
  })

  it('takes CRLF, tabs, leading blanks, comments, empty lines and a byte order mark', () => {
    const text = `\uFEFF# made by hand\r\n\r\n  ${SHA256}\ta.bin\r\n; more\r\n${SHA256} b.bin\r\n`
    expect(read(text).notRead).toEqual([])
    expect(names(text)).toEqual(['a.bin', 'b.bin'])
    expect(read(Buffer.from(text)).stated.map((entry) => entry.line)).toEqual([3, 5])
  })

  it('passes over the frame of a clear-signed list', () => {
    const text = `-----BEGIN PGP SIGNED MESSAGE-----\nHash: SHA512\n\n${SHA256}  a\n-----BEGIN PGP SIGNATURE-----\n\n${SHA256}\n-----END PGP SIGNATURE-----\n`
    expect(read(text)).toMatchObject({ stated: [{ names: ['a'], line: 4 }], notRead: [] })
  })

  it('reads UTF-16 as Windows shells save it (common practice), either order, with or without mark', () => {
    const little = Buffer.from(`${SHA256}  gerät.bin\r\n`, 'utf16le')
    const marked = Buffer.concat([Buffer.from([0xff, 0xfe]), little])
    for (const bytes of [little, marked, Buffer.from(marked).swap16(), Buffer.from(little).swap16()])
      expect(names(bytes)).toEqual(['gerät.bin'])
  })
})

describe('what is not compared', () => {
  it('says line and reason, and reads the rest', () => {
    const { stated, notRead } = read(`nonsense\n${SHA256.slice(1)}  a\n${SHA256}  b\n${SHA256}  c\n`)
    expect(stated.map((entry) => entry.names[0])).toEqual(['b', 'c'])
    expect(notRead.map(({ line }) => line)).toEqual([1, 2])
    expect(notRead[1]).toMatchObject({ what: expect.stringContaining('63'), names: ['a'] })
  })

  it.each([
    ['SHA3-256(a.bin)= ', SHA256, /"SHA3-256" is not compared/],
    ['SHA2-512/256(a.bin)= ', SHA256, /"SHA2-512\/256" is not/],
    ['RIPEMD160(a.bin)= ', SHA1, /"RIPEMD160" is not/],
    ['a.bin BLAKE2s: ', SHA256, /"BLAKE2s" is not/],
    ['commit ', SHA1, /"commit" is not/],
    ['Commit: ', SHA1, /"Commit" is not/],
    ['Key fingerprint = ', SHA1.toUpperCase().replace(/(.{4})/g, '$1 '), /"Key fingerprint" is not/],
    ['# ', `${SHA256}  a.bin`, /comment/],
    ['SHA-256 of a.bin: ', SHA1, /has 40 hex digits; SHA-256 has 64/],
    ['SHA-256 of a.bin: ', `${SHA256.slice(0, 20)}...`, /has 20 hex digits/],
    ['a.bin ', SHA256.replace('b', 'O'), /no hex digit/],
    ['', '1219131554 3 a.bin', /decimal/],
  ])('%s%s', (before, digest, what) => {
    const { stated, notRead } = read(`${before}${digest}\n`)
    expect(stated).toEqual([])
    expect(notRead).toMatchObject([{ line: 1, what: expect.stringMatching(what) }])
  })

  it('does not take a digest of another length than the file name promises', () => {
    const { stated, notRead } = read(`${SHA1}  a\n`, 'sha256')
    expect(stated).toEqual([])
    expect(notRead[0]?.what).toBe('The digest has 40 hex digits; SHA-256 has 64.')
  })

  it('takes no digest out of a name or an address', () => {
    const { stated } = read(`${SHA256}  fw-${MD5}.bin\nhttps://downloads.example/${SHA1}/fw.bin\n`)
    expect(stated).toMatchObject([{ algorithm: 'sha256', names: [`fw-${MD5}.bin`] }])
  })

  it('takes no columns of numbers for a digest', () => {
    const numbers = Array.from({ length: 16 }, (_, at) => 10 + at)
    const texts = [numbers.join(' '), numbers.join(','), 'fw.bin;100,200,300,400,500,600,700,800,900,100,20']
    for (const text of texts) expect(read(`${text}\n`)).toMatchObject({ stated: [], notRead: [] })
  })

  it('refuses a text over the limit, saying so', () => {
    const { stated, notRead } = read(Buffer.alloc(CHECKSUM_TEXT_BYTES + 1, `${SHA256}  a\n`))
    expect([stated, notRead]).toEqual([[], [{ line: 0, what: expect.stringContaining('bytes') }]])
  })
})

describe('what is a list', () => {
  const isList = (text: string) => read(text).isList

  it('is a text whose lines mostly tie digests to names, or are digests', () => {
    const list = `# release 4.2\n${SHA256}  a.bin\nSHA1 (b.bin) = ${SHA1}\nmade by hand\n`
    for (const text of [list, SHA256, `a.bin: ${MD5}\nb.bin: ${MD5}\n`]) expect(isList(text)).toBe(true)
  })

  it.each([
    ['prose with one digest', `Read this before you begin.\nTake the old image with you.\na.bin: ${MD5}\n`],
    ['a script', `#!/bin/sh\n${SHA256}  a.bin\n`],
    ['a manifest in JSON', JSON.stringify({ 'a.bin': SHA256 })],
    ['a manifest in XML', `<files>\n<file name="a.bin" md5="${MD5}"/>\n</files>`],
    ['settings with one digest', `image=a.bin\nversion=4.2\nserver=192.0.2.1\nmd5=${MD5}\n`],
    ['a manifest that says more of each file', `a.bin,4.2,17,http://192.0.2.1/a.bin,${MD5}\n`],
    [
      'Intel HEX',
      ':10010000214601360121470136007EFE09D2190140\n:100110002146017E17C20001FF5F16002148011928\n',
    ],
    ['S-record', 'S1137AF00A0A0D0000000000000000000000000061\nS5030001FB\n'],
    ['no digest', 'nothing\n'],
  ])('is not: %s', (_what, text) => {
    expect(isList(text)).toBe(false)
  })
})

describe('any text', () => {
  it('never throws, whatever the bytes are', () => {
    fc.assert(
      fc.property(
        fc.uint8Array({ maxLength: 400 }),
        fc.constantFrom(undefined, 'md5', 'crc32'),
        (bytes, expected) => {
          for (const { digest } of read(bytes, expected as Algorithm | undefined).stated)
            expect(digest).toMatch(/^[0-9a-f]+$/)
        },
      ),
    )
  })

  it('never throws on half of a text with something else put in', () => {
    const kinds = Object.values(TEXTS).map(({ text }) => Buffer.from(text(digestsOf('a'), digestsOf('b'))))
    fc.assert(
      fc.property(
        fc.constantFrom(...kinds),
        fc.nat(2000),
        fc.nat(2000),
        fc.string(),
        (text, from, to, put) => {
          const cut = Buffer.concat([text.subarray(0, from), Buffer.from(put), text.subarray(to)])
          expect(read(cut).stated.length).toBeLessThan(20)
        },
      ),
      { numRuns: 400 },
    )
  })

  it('holds no digest that is neither found nor reported', () => {
    const digest = fc
      .tuple(
        fc.constantFrom(32, 40, 56, 64, 96, 128),
        fc.infiniteStream(fc.constantFrom(...'0123456789abcdef')),
      )
      .map(([length, digits]) => [...digits.take(length)].join(''))
    const word = fc.constantFrom(
      'be',
      'fw.bin',
      'SHA-256',
      'MD5:',
      'SHA3-256',
      'the',
      '4.2',
      '|',
      '#',
      'File:',
      '2026-11-25',
      '12 MB',
      '`',
      '- ',
      'cafe',
      '0',
    )
    const gap = fc.constantFrom(' ', '  ', '\n', '\n\n', '\t', ' "', '\r\n', ', ', ' = ', ' (')
    // Two halves that are as long as an MD5 are one SHA-256 where its label says so, and stand on the first one's line.
    const WRAPPED_UNDER_A_LABEL: [string, string][] = [
      ['SHA-256', ' '],
      ['a34fabb5d72edafd66237ca9e8ac3b31', '\r\n'],
      ['fabb5d72edafd66237ca9e8ac3b31f06', ' '],
    ]
    const text = fc.array(fc.tuple(fc.oneof({ weight: 3, arbitrary: word }, digest), gap), { maxLength: 16 })
    fc.assert(
      fc.property(text, (parts) => {
        const whole = parts.flat().join('')
        const { stated, notRead } = read(whole)
        const lines = whole.split(/\r\n|\n/)
        const said = new Set([...stated.map(({ line }) => line), ...notRead.map(({ line }) => line)])
        for (const [at, line] of lines.entries()) {
          const digits = /[0-9a-f]{32,}/.exec(line)?.[0]
          if (digits === undefined) continue
          const ofAnEarlierLine = stated.some(({ digest }) => digest.includes(digits))
          expect([line, said.has(at + 1) || ofAnEarlierLine]).toEqual([line, true])
        }
      }),
      { numRuns: 1000, examples: [[WRAPPED_UNDER_A_LABEL]] },
    )
  })

  // Squares of this length would take minutes.
  it.each(Object.keys(HOSTILE))('takes no more than its length in time: %s', (kind) => {
    const text = hostileText(kind, 128 * 1024)
    const before = process.cpuUsage()
    const { stated, notRead } = read(text)
    const { user } = process.cpuUsage(before)
    expect(user / 1e6).toBeLessThan(3)
    expect(notRead.length).toBeLessThanOrEqual(42)
    expect(stated.length).toBeLessThanOrEqual(text.length / 8)
  })
})
