import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import {
  MAX_CHECKSUM_FILE_BYTES,
  MAX_CHECKSUM_LINE_CHARACTERS,
  parseChecksums,
} from '../../../server/trust/published/parse.ts'

// Digests of "abc": FIPS 180-4 example values (SHA family), RFC 1321 A.5 (MD5).
const SHA256 = 'ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad'
const SHA1 = 'a9993e364706816aba3e25717850c26c9cd0d89d'
const MD5 = '900150983cd24fb0d6963f7d28e17f72'

const read = (text: string | Uint8Array, fileName = 'checksums.txt') => parseChecksums(fileName, text)
const names = (text: string) => read(text).entries.map((entry) => entry.name)

describe('forms of checksum files', () => {
  it('reads GNU text and binary mode, folders and all', () => {
    const { entries, problems } = read(`${SHA256}  a.bin\n${SHA1} *./sub/b.bin\n${MD5}  c d.bin\n`)
    expect(problems).toEqual([])
    expect(entries).toEqual([
      { algorithm: 'sha256', digest: SHA256, name: 'a.bin', line: 1 },
      { algorithm: 'sha1', digest: SHA1, name: './sub/b.bin', line: 2 },
      { algorithm: 'md5', digest: MD5, name: 'c d.bin', line: 3 },
    ])
  })

  it('undoes the backslash escapes only on lines that begin with a backslash', () => {
    expect(names(`\\${SHA256}  a\\\\b\\nc\\rd\n${SHA256}  a\\nb\n`)).toEqual(['a\\b\nc\rd', 'a\\nb'])
    expect(read(`\\${SHA256}  a\\tb\n`).problems[0]?.what).toContain('backslash escape')
  })

  it('reads the BSD tagged form and both of OpenSSL', () => {
    const { entries } = read(
      `SHA256 (a (1).bin) = ${SHA256}\nSHA256(b.bin)= ${SHA256}\nSHA2-256(c.bin)= ${SHA256}\nMD5 (d) = ${MD5}\n`,
    )
    expect(entries.map(({ algorithm, name }) => [algorithm, name])).toEqual([
      ['sha256', 'a (1).bin'],
      ['sha256', 'b.bin'],
      ['sha256', 'c.bin'],
      ['md5', 'd'],
    ])
  })

  it('does not take a digest of another family for one of the same length', () => {
    const { entries, problems } = read(
      `SHA3-256(a)= ${SHA256}\nSHA2-512/256(a)= ${SHA256}\nRIPEMD160(a)= ${SHA1}\n`,
    )
    expect(entries).toEqual([])
    expect(problems.map((problem) => problem.line)).toEqual([1, 2, 3])
  })

  it.each([
    ['x.bin.sha256', SHA256, 'sha256'],
    ['X.BIN.SHA256', SHA256.toUpperCase(), 'sha256'],
    ['x.bin.sha1sum', SHA1, 'sha1'],
    ['x.bin.md5', `${MD5}\r\n`, 'md5'],
    ['x.bin.md5', `${MD5}  -\n`, 'md5'],
  ])('reads a bare digest in the sidecar %s', (fileName, text, algorithm) => {
    const { entries, problems } = read(text, fileName)
    expect(problems).toEqual([])
    expect(entries).toHaveLength(1)
    expect(entries[0]).toMatchObject({ algorithm, line: 1 })
    expect(entries[0]?.name).toBeUndefined()
    expect(entries[0]?.digest).toBe(text.trim().split(' ')[0]?.toLowerCase())
  })

  it('takes CRLF, tabs, leading blanks, comments, empty lines and a byte order mark', () => {
    const text = `\uFEFF# made by hand\r\n\r\n  ${SHA256}\ta.bin\r\n; more\r\n${SHA256} b.bin\r\n`
    expect(read(text).problems).toEqual([])
    expect(names(text)).toEqual(['a.bin', 'b.bin'])
    expect(names(Buffer.from(text).toString())).toEqual(['a.bin', 'b.bin'])
    expect(read(Buffer.from(text)).entries.map((entry) => entry.line)).toEqual([3, 5])
  })

  it('passes over the frame of a clear-signed list', () => {
    const text = `-----BEGIN PGP SIGNED MESSAGE-----\nHash: SHA512\n\n${SHA256}  a\n-----BEGIN PGP SIGNATURE-----\n\niQFakeSignatureLine\n-----END PGP SIGNATURE-----\n`
    expect(read(text)).toEqual({
      entries: [{ algorithm: 'sha256', digest: SHA256, name: 'a', line: 4 }],
      problems: [],
    })
  })

  it('reads UTF-16 as Windows shells save it (common practice), either order, with or without mark', () => {
    const little = Buffer.from(`${SHA256}  gerät.bin\r\n`, 'utf16le')
    const marked = Buffer.concat([Buffer.from([0xff, 0xfe]), little])
    const big = Buffer.from(marked).swap16()
    for (const bytes of [little, marked, big]) {
      expect(read(bytes).entries.map((entry) => entry.name)).toEqual(['gerät.bin'])
    }
  })

  it('finds the only digest in a sidecar of another shape, and none among several', () => {
    const table = `Algorithm  Hash  Path\n---------  ----  ----\nSHA256  ${SHA256.toUpperCase()}  C:\\x.bin\n`
    expect(read(table, 'x.bin.sha256').entries).toMatchObject([{ digest: SHA256, line: 3 }])
    const two = `one ${SHA256}\ntwo ${SHA256.replace('b', 'c')}\n`
    expect(read(two, 'x.bin.sha256').entries).toEqual([])
  })
})

describe('what cannot be used', () => {
  it('names line and reason, and reads the rest', () => {
    const { entries, problems } = read(`nonsense\n${SHA256.slice(1)}  a\n${SHA256}  b\n`)
    expect(entries.map((entry) => entry.name)).toEqual(['b'])
    expect(problems.map((problem) => problem.line)).toEqual([1, 2])
    expect(problems[1]?.what).toContain('63')
  })

  it('does not take a digest of another length than the file name promises', () => {
    const { entries, problems } = read(`${SHA1}  a\n`, 'SHA256SUMS')
    expect(entries).toEqual([])
    expect(problems[0]?.what).toBe('The digest has 40 hex digits; SHA-256 has 64.')
  })

  it('refuses a file over the limit and a line over the limit, saying so', () => {
    const whole = Buffer.alloc(MAX_CHECKSUM_FILE_BYTES, '#')
    whole.fill('\n', 0, 1)
    expect(read(Buffer.alloc(MAX_CHECKSUM_FILE_BYTES + 1, '\n')).problems[0]?.what).toContain('bytes')
    const long = `${SHA256}  a\n#${'x'.repeat(MAX_CHECKSUM_LINE_CHARACTERS)}\n`
    expect(read(long)).toMatchObject({ entries: [], problems: [{ line: 0 }] })
    const fits = `${SHA256}  a\n#${'x'.repeat(MAX_CHECKSUM_LINE_CHARACTERS - 1)}\n`
    expect(read(fits).entries).toHaveLength(1)
  })

  it('never throws, whatever the bytes are', () => {
    fc.assert(
      fc.property(
        fc.uint8Array({ maxLength: 400 }),
        fc.constantFrom('a.md5', 'SHA256SUMS', 'x'),
        (bytes, name) => {
          for (const entry of read(bytes, name).entries) expect(entry.digest).toMatch(/^[0-9a-f]+$/)
        },
      ),
    )
  })
})
