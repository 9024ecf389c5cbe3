import { describe, expect, it } from 'vitest'
import { checksumFileName, isChecksumFile } from '../../../server/trust/published/names.ts'

describe('names of checksum files', () => {
  it.each([
    ['SHA256SUMS', 'sha256'],
    ['sha512sums', 'sha512'],
    ['SHA1SUMS', 'sha1'],
    ['MD5SUMS', 'md5'],
    ['SHA224SUMS', 'sha224'],
    ['SHA384SUMS', 'sha384'],
    ['sha256sum.txt', 'sha256'],
    ['SHA256.txt', 'sha256'],
    ['SHASUMS256.txt', undefined],
    ['checksums.txt', undefined],
    ['Checksum.TXT', undefined],
    ['CHECKSUMS', undefined],
    ['hashes.txt', undefined],
    ['digests.txt', undefined],
    ['DIGESTS', undefined],
    ['sha256-checksums.txt', 'sha256'],
    ['checksums.sha256', 'sha256'],
    ['sub/SHA256SUMS', 'sha256'],
    ['SHA256SUMS.asc', 'sha256'],
  ])('%s is a list (%s)', (name, algorithm) => {
    const found = checksumFileName(name)
    expect(found).toBeDefined()
    expect(found?.algorithm).toBe(algorithm)
  })

  it.each([
    ['a/x.bin.sha256', 'a/x.bin', 'sha256'],
    ['x.bin.SHA512', 'x.bin', 'sha512'],
    ['x.bin.sha1sum', 'x.bin', 'sha1'],
    ['x.md5', 'x', 'md5'],
    ['x.tar.gz.sha224', 'x.tar.gz', 'sha224'],
    ['x.bin.sha384sum', 'x.bin', 'sha384'],
    ['x.bin.sha256.txt', 'x.bin', 'sha256'],
    ['x.bin.sha256.asc', 'x.bin', 'sha256'],
    ['x.bin.sha', 'x.bin', undefined],
    ['x.sfv', 'x', 'crc32'],
    ['x.bin.DIGESTS', 'x.bin', undefined],
    ['x-4.2-sha.txt', 'x-4.2', undefined],
    ['x-4.2_md5.txt', 'x-4.2', 'md5'],
    ['package-data.md5sums', 'package-data', 'md5'],
  ])('%s would be the sidecar of %s', (name, of, algorithm) => {
    expect(checksumFileName(name)).toEqual({ of, ...(algorithm !== undefined && { algorithm }) })
  })

  it.each(['x.bin', 'x.sha3', 'B2SUMS', 'md5.bin', 'fw-hash.bin', 'visit.csv', 'notes.txt', 'x.asc'])(
    '%s says nothing',
    (name) => {
      expect(isChecksumFile(name)).toBe(false)
    },
  )
})
