import { describe, expect, it } from 'vitest'
import type { FoundImage, Image, Version } from '../../server/staging/image.ts'
import { createLookup } from '../../server/staging/lookup.ts'
import { digestPath, wantedPath } from '../../server/staging/naming.ts'

function image(name: string, more: Partial<Image> & { sha256?: string } = {}): Image {
  const { sha256 = Buffer.from(name.padEnd(32, 'x')).toString('hex').slice(0, 64), ...members } = more
  return {
    name,
    file: `/stage/${name}`,
    plainPath: wantedPath(name),
    digestPath: digestPath(name, sha256),
    bytes: 1,
    modifiedMs: 0,
    state: 'ready',
    version: { sha256 } as Version,
    published: { standing: 'none' },
    format: { kind: 'unknown', verdict: 'unknown' },
    notes: [],
    ...members,
  }
}

function lookupOf(...images: Image[]) {
  const lookup = createLookup()
  for (const each of images) lookup.set(each)
  return lookup
}

const shown = (found: FoundImage) =>
  found.kind === 'image'
    ? `${found.by}: ${found.image.name}`
    : found.kind === 'checksum'
      ? `checksum: ${found.image.name}`
      : found.kind

/** As Node hands over raw bytes of a request line. */
const raw = (text: string) => Buffer.from(text, 'utf8').toString('latin1')
const NFC = 'é'.normalize('NFC')
const NFD = 'é'.normalize('NFD')

describe('a request target', () => {
  const lookup = lookupOf(
    image('core switch.bin', { sha256: '3fa94c21'.padEnd(64, '0') }),
    image('a+b.bin'),
    image('100%.bin'),
    image('what?.bin'),
    image('no#1.bin'),
    image(`caf${NFC}.bin`),
    image(`sub/${NFD}t.bin`),
    image('Mixed.BIN'),
  )

  it.each([
    ['/core-switch.bin', 'plain: core switch.bin'],
    ['core-switch.bin', 'plain: core switch.bin'],
    ['//core-switch.bin', 'plain: core switch.bin'],
    ['/core-switch.bin?x=1', 'plain: core switch.bin'],
    ['/core-switch.bin#top', 'plain: core switch.bin'],
    ['http://192.0.2.7:8080/core-switch.bin', 'plain: core switch.bin'],
    ['HTTP://[2001:db8::1]/core-switch.bin?x', 'plain: core switch.bin'],
    ['/%63ore%2Dswitch.bin', 'plain: core switch.bin'],
    ['/3fa94c21.bin', 'digest: core switch.bin'],
    ['/3FA94C21.BIN', 'letter case: core switch.bin'],
    ['/core switch.bin', 'name: core switch.bin'],
    ['/core%20switch.bin', 'name: core switch.bin'],
    ['/core+switch.bin', 'name: core switch.bin'],
    ['/CORE%20SWITCH.bin', 'letter case: core switch.bin'],
    ['/a+b.bin', 'name: a+b.bin'],
    ['/a%2Bb.bin', 'name: a+b.bin'],
    ['/100%.bin', 'name: 100%.bin'],
    ['/100%25.bin', 'name: 100%.bin'],
    ['/what?.bin', 'name: what?.bin'],
    ['/what%3F.bin', 'name: what?.bin'],
    ['/no#1.bin', 'name: no#1.bin'],
    ['/no%231.bin', 'name: no#1.bin'],
    [raw(`/caf${NFC}.bin`), `name: caf${NFC}.bin`],
    [raw(`/caf${NFD}.bin`), `name: caf${NFC}.bin`],
    ['/caf%C3%A9.bin', `name: caf${NFC}.bin`],
    ['/cafe%CC%81.bin', `name: caf${NFC}.bin`],
    [raw(`/sub//${NFC}t.bin`), `name: sub/${NFD}t.bin`],
    ['/sub/e%CC%81t.bin', `name: sub/${NFD}t.bin`],
    ['/mixed.bin', 'letter case: Mixed.BIN'],
    ['/core-switch.bin.sha256', 'checksum: core switch.bin'],
    ['/core%20switch.bin.sha256', 'checksum: core switch.bin'],
    ['/3fa94c21.bin.sha256', 'checksum: core switch.bin'],
    ['/SHA256SUMS', 'list'],
    ['/sha256sums', 'list'],
    ['/', 'none'],
    ['', 'none'],
    ['*', 'none'],
    ['/sub', 'none'],
    ['/sub/', 'none'],
    ['/SHA256SUMS/x', 'none'],
  ])('%j finds %s', (target, found) => {
    expect(shown(lookup.find(target))).toBe(found)
  })

  it.each([
    '/../etc/passwd',
    '/..%2f..%2fetc/passwd',
    '/sub/../core-switch.bin',
    '/./core-switch.bin',
    '/%2e%2e/core-switch.bin',
    '/sub/..%5c..%5cx',
    '/core-switch.bin%00.txt',
    '/core-switch.bin/',
    'http://',
    '/%',
    '/%ff%fe',
    `/${'a'.repeat(9000)}`,
    '/constructor',
    '/__proto__',
  ])('%j finds nothing', (target) => {
    expect(lookup.find(target).kind).toBe('none')
  })

  it('of an escape is decoded first; a file whose name holds the escape letter for letter comes after', () => {
    const both = lookupOf(image('a b.bin'), image('a%20b.bin'), image('only%20this.bin'))
    expect(shown(both.find('/a%20b.bin'))).toBe('name: a b.bin')
    expect(shown(both.find('/a%2520b.bin'))).toBe('name: a%20b.bin')
    expect(shown(both.find('/only%20this.bin'))).toBe('name: only%20this.bin')
  })

  it('is not guessed at when two names differ only in letter case', () => {
    const both = lookupOf(image('a.bin'), image('A.bin'))
    expect(shown(both.find('/a.bin'))).toBe('plain: a.bin')
    expect(shown(both.find('/A.bin'))).toBe('plain: A.bin')
    const upper = lookupOf(image('ab.bin'), image('aB.bin'))
    expect(upper.find('/AB.bin').kind).toBe('none')
  })

  it('tells two files apart whose names differ only in Unicode form', () => {
    const paths = { plainPath: '/e-1.bin' }
    const both = lookupOf(image(`${NFC}.bin`, paths), image(`${NFD}.bin`, { plainPath: '/e-2.bin' }))
    expect(shown(both.find(raw(`/${NFC}.bin`)))).toBe(`name: ${NFC}.bin`)
    expect(shown(both.find(raw(`/${NFD}.bin`)))).toBe(`name: ${NFD}.bin`)
  })

  it('finds either of two copies by their digest path, but nothing where only the first digits agree', () => {
    const sha256 = 'abcdef12'.padEnd(64, '0')
    const copies = lookupOf(image('a.bin', { sha256, state: 'held' }), image('b.bin', { sha256 }))
    expect(shown(copies.find('/abcdef12.bin'))).toBe('digest: b.bin')
    const other = lookupOf(image('a.bin', { sha256 }), image('b.bin', { sha256: 'abcdef12'.padEnd(64, '1') }))
    expect(other.find('/abcdef12.bin').kind).toBe('none')
  })

  it('no longer finds what was renamed or removed', () => {
    const moved = lookupOf(image('a.bin'))
    moved.set(image('a.bin', { plainPath: '/a-1.bin' }))
    expect(shown(moved.find('/a-1.bin'))).toBe('plain: a.bin')
    moved.delete('a.bin')
    expect(['/a-1.bin', '/a.bin', '/A.BIN'].map((target) => moved.find(target).kind)).toEqual([
      'none',
      'none',
      'none',
    ])
  })
})

describe('a miss', () => {
  const lookup = lookupOf(image('core-switch-2.4.bin'), image('access-point-1.0.img'), image('x.bin'))

  it.each([
    ['/core-swich-2.4.bin', '/core-switch-2.4.bin'],
    ['/core-switch-2.5.bin', '/core-switch-2.4.bin'],
    ['/CORE-SWTICH-2.4.bin', '/core-switch-2.4.bin'],
    ['/acess-point-1.0.img', '/access-point-1.0.img'],
    ['/entirely-different.zip', undefined],
  ])('of %s names the nearest: %s', (target, nearest) => {
    expect(lookup.find(target)).toEqual(nearest === undefined ? { kind: 'none' } : { kind: 'none', nearest })
  })

  it('among 10,000 images takes a few milliseconds, a hit far less', () => {
    const many = createLookup()
    for (let at = 0; at < 10_000; at += 1) many.set(image(`branch-${String(at).padStart(5, '0')}-router.bin`))
    // Processor time, since other programs may be busy too.
    const time = (target: string, count: number) => {
      const begun = process.cpuUsage()
      for (let at = 0; at < count; at += 1) many.find(target)
      const { user, system } = process.cpuUsage(begun)
      return (user + system) / 1000 / count
    }
    time('/branch-04321-ruoter.bin', 5)
    expect(many.find('/branch-04321-ruoter.bin')).toEqual({
      kind: 'none',
      nearest: '/branch-04321-router.bin',
    })
    expect(time('/branch-04321-ruoter.bin', 20)).toBeLessThan(40)
    expect(time(`/${'z'.repeat(8000)}`, 20)).toBeLessThan(40)
    expect(time('/branch-04321-router.bin', 1000)).toBeLessThan(0.5)
  })
})
