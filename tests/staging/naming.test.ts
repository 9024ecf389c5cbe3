import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import {
  digestPath,
  digitsTail,
  extensionOf,
  fits,
  PLAIN_PATH_CHARACTERS,
  pathWithTail,
  wantedPath,
} from '../../server/staging/naming.ts'
import { createPlainPaths } from '../../server/staging/plain-paths.ts'

const SHA = '3fa94c21'.padEnd(64, '0')
const nobody = () => undefined
/** RFC 3986 §2.3 unreserved characters without `~`, and `/`. */
const PLAIN = /^(\/[A-Za-z0-9_-][A-Za-z0-9._-]*)+$/

describe('the plain path of a name', () => {
  it.each([
    ['core switch v2.bin', '/core-switch-v2.bin'],
    ['Ärger/É té.img', '/Arger/E-te.img'],
    ['a+b%20c#d?e.bin', '/a-b-20c-d-e.bin'],
    ['image (1).bin', '/image-1-.bin'],
    ['ﬁrmware.bin', '/firmware.bin'],
    ['UPPER_lower.BIN', '/UPPER_lower.BIN'],
    ['図書館.bin', '/-.bin'],
    ['\u0301', '/-'],
    ['no-extension', '/no-extension'],
    ['one/two/three.tar.gz', '/one/two/three.tar.gz'],
  ])('of %j is %s', (name, path) => {
    expect(wantedPath(name)).toBe(path)
  })

  it.each([
    ['‥/x.bin', '/-/x.bin'],
    ['․hidden.bin', '/-hidden.bin'],
    ['con.bin', '/con-.bin'],
    ['Lpt1', '/Lpt1-'],
    ['console.bin', '/console.bin'],
  ])('of %j is harmless: %s', (name, path) => {
    expect(wantedPath(name)).toBe(path)
  })

  it('never takes the place of a checksum file', () => {
    expect(wantedPath('x.ſha256')).toBe('/x-sha256')
    expect(wantedPath('ＳHA256SUMS')).toBe('/SHA256SUMS-')
  })

  it('carries digits of the digest before the extension when it is shortened in the middle', () => {
    const wanted = wantedPath(`${'a'.repeat(40)}/${'b'.repeat(40)}.bin`)
    expect(fits(wanted)).toBe(false)
    const path = pathWithTail(wanted, digitsTail(SHA, 1))
    expect(path).toMatch(/^\/a+-b+-3fa94c\.bin$/)
    expect(path).toHaveLength(PLAIN_PATH_CHARACTERS)
  })

  it('is used as it is up to 63 characters and shortened at 64', () => {
    const at = (length: number) => `${'x'.repeat(length - 5)}.bin`
    expect(fits(wantedPath(at(63)))).toBe(true)
    expect(wantedPath(at(63))).toHaveLength(63)
    expect(fits(wantedPath(at(64)))).toBe(false)
  })

  it('has the short digest path beside it, with the extension', () => {
    expect(digestPath('some where/core switch.bin', SHA)).toBe('/3fa94c21.bin')
    expect(digestPath('plain', SHA)).toBe('/3fa94c21')
    expect(extensionOf('/v1.2/plain')).toBe('')
  })
})

describe('plain paths side by side', () => {
  const A = 'a'.repeat(64)
  const B = 'b'.repeat(64)

  it('give digits to all files that would share one', () => {
    const paths = createPlainPaths(nobody)
    expect(paths.place('a b.bin', A)).toEqual([{ name: 'a b.bin', path: '/a-b.bin' }])
    const changes = paths.place('a-b.bin', B)
    expect(changes.map(({ name, path }) => [name, path])).toEqual([
      ['a b.bin', '/a-b-aaaaaa.bin'],
      ['a-b.bin', '/a-b-bbbbbb.bin'],
    ])
  })

  it('stay unique when the digits are the same too', () => {
    const paths = createPlainPaths(nobody)
    paths.place('a b.bin', A)
    paths.place('a-b.bin', A)
    paths.place('a+b.bin', A)
    const all = ['a b.bin', 'a-b.bin', 'a+b.bin'].map((name) => paths.get(name)?.path)
    expect(new Set(all)).toEqual(new Set(['/a-b-aaaaaa.bin', '/a-b-aaaaaa-2.bin', '/a-b-aaaaaa-3.bin']))
  })

  it('leave a path with the file to which it was given; the newcomer gets digits and a note', () => {
    const paths = createPlainPaths(nobody)
    paths.place('a b.bin', A)
    paths.keep('a b.bin')
    expect(paths.place('a-b.bin', B)).toEqual([
      { name: 'a-b.bin', path: '/a-b-bbbbbb.bin', note: expect.stringContaining('a b.bin') },
    ])
    expect(paths.get('a b.bin')?.path).toBe('/a-b.bin')
  })

  it('leave a path with a file of an earlier run, even while that file is away', () => {
    const paths = createPlainPaths((path) => (path === '/a-b.bin' ? 'a b.bin' : undefined))
    paths.place('a-b.bin', B)
    expect(paths.get('a-b.bin')).toMatchObject({
      path: '/a-b-bbbbbb.bin',
      note: expect.stringContaining('a b.bin'),
    })
    paths.place('a b.bin', A)
    expect(paths.get('a b.bin')).toEqual({ name: 'a b.bin', path: '/a-b.bin' })
  })

  it('keep digits that were given once, after the other file has gone', () => {
    const paths = createPlainPaths(nobody)
    paths.place('a b.bin', A)
    paths.place('a-b.bin', B)
    paths.keep('a b.bin')
    paths.keep('a-b.bin')
    expect(paths.remove('a-b.bin')).toEqual([])
    expect(paths.get('a b.bin')?.path).toBe('/a-b-aaaaaa.bin')
  })

  const names = fc.uniqueArray(
    fc.oneof(
      fc.string({ unit: 'grapheme', minLength: 1, maxLength: 90 }),
      fc.constantFrom('a b', 'a-b', 'a+b', 'x/y.bin', 'x y.bin', 'x-y.bin', 'x-y-aaaaaa.bin', 'SHA256SUMS'),
    ),
    { minLength: 1, maxLength: 12, selector: (name) => name },
  )
  const digest = fc.constantFrom('a', 'b', 'c').map((digit) => digit.repeat(64))
  const steps = fc.array(
    fc.record({ at: fc.nat(11), act: fc.constantFrom('place', 'keep', 'remove', 'unread'), digest }),
    { maxLength: 40 },
  )

  it('are always typable, short, unique, and do not move once kept', () => {
    fc.assert(
      fc.property(names, steps, (all, taken) => {
        const paths = createPlainPaths(nobody)
        const read = new Map<string, string>()
        const kept = new Map<string, string>()
        for (const { at, act, digest: sha256 } of taken) {
          const name = all[at % all.length] ?? ''
          if (act === 'place' && !kept.has(name)) read.set(name, sha256)
          if (act === 'place') paths.place(name, read.get(name))
          if (act === 'unread' && !kept.has(name)) {
            paths.place(name, undefined)
            read.delete(name)
          }
          if (act === 'remove') {
            paths.remove(name)
            read.delete(name)
            kept.delete(name)
          }
          if (act === 'keep' && read.has(name)) {
            paths.keep(name)
            kept.set(name, paths.get(name)?.path ?? '')
          }
          const present = [...read.keys()].map((each) => paths.get(each)?.path ?? '')
          expect(new Set(present).size).toBe(present.length)
          for (const path of present) {
            expect(path).toMatch(PLAIN)
            expect(path.length).toBeLessThanOrEqual(PLAIN_PATH_CHARACTERS)
            expect(path).not.toMatch(/\.sha256$|^\/SHA256SUMS$/)
          }
          for (const [each, path] of kept) expect(paths.get(each)?.path).toBe(path)
        }
      }),
      { numRuns: 500 },
    )
  })
})
