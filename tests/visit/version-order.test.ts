/**
 * Comparing device versions. Outside checks: `dpkg --compare-versions` (deb-version(7)) and npm's semver
 * (semver.org, 2.0.0 §11), each on the versions that both it and device practice order alike.
 */
import { execFileSync, spawnSync } from 'node:child_process'
import { createRequire } from 'node:module'
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { compareVersions, type VersionOrder } from '../../server/visit/version-order.ts'
import { needs } from '../needs.ts'

const opposite: Record<VersionOrder, VersionOrder> = {
  newer: 'older',
  older: 'newer',
  same: 'same',
  'cannot tell': 'cannot tell',
}

describe('compareVersions', () => {
  it.each([
    // before, after, how after stands to before
    ['1.2.3', '1.2.4', 'newer'],
    ['1.9', '1.10', 'newer'],
    ['2.0', '1.99', 'older'],
    ['1.2', '1.2.1', 'newer'],
    ['1.2', '1.2.0', 'same'],
    ['17.9.4', '17.09.04', 'same'],
    ['v2.80', '2.80', 'same'],
    ['Version 12.4(3)', '12.4(3)', 'same'],
    ['12.4(3)', '12.4(3a)', 'newer'],
    ['12.4(3a)', '12.4(3b)', 'newer'],
    ['12.4(3z)', '12.4(4)', 'newer'],
    ['12.4(24)', '12.4(3a)', 'older'],
    ['17.09.04', '17.09.04a', 'newer'],
    ['15.2(7)E3', '15.2(7)E10', 'newer'],
    ['15.2(7)E3', '15.2(8)S1', 'newer'],
    ['21.4R3', '21.4R3-S2', 'newer'],
    ['21.4R3-S2', '21.4R3-S10', 'newer'],
    ['21.4R3-S10', '22.1R1', 'newer'],
    ['4.2.1-b117', '4.2.1-b118', 'newer'],
    ['4.2.1-117', '4.2.1-118', 'newer'],
    ['4.2.1 build 117', '4.2.1 build 99', 'older'],
    ['2.0-rc1', '2.0', 'newer'],
    ['2.0', '2.0beta2', 'older'],
    ['2.0-beta2', '2.0-rc1', 'newer'],
    ['2.0~3', '2.0~4', 'newer'],
    ['1.0', '1.0-SP2', 'newer'],
    ['R12', 'R13', 'newer'],
    ['20240115', '20240301', 'newer'],
    ['99999999999999999998', '99999999999999999999', 'newer'],
    ['same-text', 'SAME-TEXT', 'same'],
  ] as const)('of %s and %s says the second is %s', (before, after, expected) => {
    expect(compareVersions(before, after)).toBe(expected)
    expect(compareVersions(after, before)).toBe(opposite[expected])
  })

  it.each([
    ['15.2(7)E3', '15.2(7)S1', 'two trains'],
    ['21.4R3', '21.4X2', 'two kinds of release'],
    ['4.2.1', '4.2.1-118', 'a revision to some, a pre-release to others'],
    ['4.2.1', '4.2.1-b118', 'a build against none'],
    ['4.2.1', '4.2.1+118', 'build metadata to some'],
    ['1.2-3', '1.2.4', 'two ways of counting on'],
    ['ap-1.2', 'hub-1.3', 'two products'],
    ['1.2.lite', '1.2.full', 'two editions'],
    ['stable', 'nightly', 'no number'],
    ['1.2', '', 'nothing'],
    ['1.2', `1.3${'.0'.repeat(200)}`, 'no version at all'],
  ])('cannot tell %s from %s: %s', (before, after) => {
    expect(compareVersions(before, after)).toBe('cannot tell')
    expect(compareVersions(after, before)).toBe('cannot tell')
  })

  const segment = fc.oneof(
    fc.nat(30).map(String),
    fc.constantFrom('r', 's', 'e', 'rc', 'beta', 'b', 'build', 'a', '3a', 'R2'),
  )
  const version = fc
    .array(fc.tuple(fc.constantFrom('.', '-', '(', ')', '', '_', '~', '+'), segment), {
      minLength: 1,
      maxLength: 6,
    })
    .map((parts) => parts.map(([separator, text]) => separator + text).join(''))

  it('says the opposite when asked the other way round, and the same of a version and itself', () => {
    fc.assert(
      fc.property(version, version, (a, b) => {
        expect(compareVersions(b, a)).toBe(opposite[compareVersions(a, b)])
        expect(compareVersions(a, a)).toBe('same')
      }),
      { numRuns: 2_000 },
    )
  })

  it('never goes round in a circle', () => {
    fc.assert(
      fc.property(version, version, version, (a, b, c) => {
        if (compareVersions(a, b) === 'newer' && compareVersions(b, c) === 'newer') {
          expect(compareVersions(a, c)).not.toBe('older')
        }
      }),
      { numRuns: 5_000 },
    )
  })
})

/** One to five numbers, without a last zero: dpkg takes 1.2.0 for later than 1.2. */
const numbers = fc
  .array(fc.nat(120), { minLength: 1, maxLength: 5 })
  .map((all) => all.join('.').replace(/(\.0+)+$/, ''))

describe('against dpkg --compare-versions', needs('dpkg'), () => {
  function dpkg(before: string, after: string): VersionOrder {
    const holds = (relation: string) =>
      spawnSync('dpkg', ['--compare-versions', after, relation, before]).status === 0
    if (holds('gt')) return 'newer'
    return holds('lt') ? 'older' : 'same'
  }

  it('agrees on dotted numbers, rebuild letters and equal kinds', () => {
    const tail = fc.constantFrom('', 'a', 'b', '-1', '-2', '-10')
    fc.assert(
      fc.property(numbers, numbers, tail, fc.boolean(), (a, b, end, like) => {
        const after = like ? a + end : b
        // A revision against none is where dpkg and SemVer part.
        if (end.startsWith('-') && like) return
        expect(`${a} ${after} ${compareVersions(a, after)}`).toBe(`${a} ${after} ${dpkg(a, after)}`)
        expect(compareVersions(a + end, b + end)).toSatisfy(
          (order) => order === dpkg(a + end, b + end) || order === 'cannot tell',
        )
      }),
      { numRuns: 60 },
    )
  })

  it.each([
    ['21.4R3-S2', '21.4R3-S10'],
    ['4.2.1-b117', '4.2.1-b118'],
    ['17.09.04', '17.9.4'],
    ['1.0~rc1', '1.0'],
    ['15.2.7E3', '15.2.7E10'],
  ])('agrees on %s and %s', (before, after) => {
    expect(compareVersions(before, after)).toBe(dpkg(before, after))
  })

  it('leaves dpkg knowingly where the module says so', () => {
    expect(dpkg('2.0', '2.0-rc1')).toBe('newer')
    expect(compareVersions('2.0', '2.0-rc1')).toBe('older')
    expect(dpkg('1.2', '1.2.0')).toBe('newer')
    expect(compareVersions('1.2', '1.2.0')).toBe('same')
  })

  it('was asked of a dpkg that answers', () => {
    expect(execFileSync('dpkg', ['--version'], { encoding: 'utf8' })).toMatch(/dpkg/i)
    expect(dpkg('1', '2')).toBe('newer')
  })
})

describe('against semver', () => {
  const semver = createRequire(import.meta.url)('semver') as { compare(a: string, b: string): -1 | 0 | 1 }
  const order = (before: string, after: string): VersionOrder =>
    semver.compare(before, after) === 0 ? 'same' : semver.compare(before, after) < 0 ? 'newer' : 'older'

  const release = fc.tuple(fc.nat(20), fc.nat(20), fc.nat(20)).map((all) => all.join('.'))
  // A final 0 is left out: semver takes rc.0 for later than rc.
  const suffix = fc.oneof(
    fc.constant(''),
    fc
      .tuple(fc.constantFrom('alpha', 'beta', 'rc'), fc.integer({ min: 1, max: 20 }))
      .map(([word, count]) => `-${word}.${count}`),
    fc.constantFrom('-alpha', '-beta', '-rc'),
  )

  it('agrees on releases and on alpha, beta and rc before them', () => {
    fc.assert(
      fc.property(release, release, suffix, suffix, fc.boolean(), (a, b, endA, endB, sameRelease) => {
        const [before, after] = [a + endA, (sameRelease ? a : b) + endB]
        expect(`${before} ${after} ${compareVersions(before, after)}`).toBe(
          `${before} ${after} ${order(before, after)}`,
        )
      }),
      { numRuns: 3_000 },
    )
  })
})
