import { describe, expect, it } from 'vitest'
import { checksumFileName, isChecksumFile } from '../../../server/trust/published/names.ts'

describe('names of checksum files', () => {
  it.each([
    'SHA256SUMS',
    'sha512sums',
    'SHA1SUMS',
    'MD5SUMS',
    'SHA224SUMS',
    'SHA384SUMS',
    'md5sums',
    'sha256sum.txt',
    'SHA256.txt',
    'checksums.txt',
    'Checksum.TXT',
    'CHECKSUMS',
    'release-checksums.txt',
    'sha256-checksums.txt',
    'checksums.sha256',
    'sub/SHA256SUMS',
    'package-data.md5sums',
  ])('%s is a list', (name) => {
    expect(checksumFileName(name)?.kind).toBe('list')
  })

  it.each([
    ['a/x.bin.sha256', 'a/x.bin', 'sha256'],
    ['x.bin.SHA512', 'x.bin', 'sha512'],
    ['x.bin.sha1sum', 'x.bin', 'sha1'],
    ['x.md5', 'x', 'md5'],
    ['x.tar.gz.sha224', 'x.tar.gz', 'sha224'],
    ['x.bin.sha384sum', 'x.bin', 'sha384'],
    ['x.bin.sha256.txt', 'x.bin', 'sha256'],
  ])('%s is the sidecar of %s', (name, of, algorithm) => {
    expect(checksumFileName(name)).toEqual({ kind: 'sidecar', of, algorithm })
  })

  it.each(['x.bin', 'sha256', 'x.sha3', 'B2SUMS', 'md5.bin', 'x.sha256.asc', 'SHA256SUMS.gpg', 'visit.csv'])(
    '%s is decided as expected',
    (name) => {
      expect(isChecksumFile(name)).toBe(name === 'sha256')
    },
  )
})
