import { describe, expect, it } from 'vitest'
import { gapsOf, withCopyTraces } from '../../server/staging/copy-traces.ts'
import type { Version } from '../../server/staging/image.ts'
import { NO_FORMAT, NO_STANDING } from '../../server/staging/judge.ts'

const KIB = 1024
const dense = { zerosAtEnd: 0, zeroPageBytes: 0, allocatedBytes: 1024 * KIB }

describe('what a file is filled with', () => {
  it.each([
    ['bytes up to its end', {}, undefined],
    ['zeros, as padding has them', { zerosAtEnd: 63 * KIB }, undefined],
    ['a long run of zeros', { zerosAtEnd: 64 * KIB }, 'zeros at the end'],
    [
      'zeros for which the disk holds no data',
      { zerosAtEnd: 600 * KIB, allocatedBytes: 424 * KIB },
      'end unwritten',
    ],
    [
      'a last page for which it holds none',
      { zerosAtEnd: 4 * KIB, allocatedBytes: 1020 * KIB },
      'end unwritten',
    ],
    ['less than a page of them', { zerosAtEnd: 4 * KIB, allocatedBytes: 1021 * KIB }, undefined],
    ['bytes that the file system compressed', { zerosAtEnd: 63 * KIB, allocatedBytes: 424 * KIB }, undefined],
    ['bytes, with a hole before them', { zeroPageBytes: 200 * KIB, allocatedBytes: 824 * KIB }, 'holes'],
    ['pages of zeros that were written', { zeroPageBytes: 200 * KIB }, undefined],
    [
      'zeros at its end, and a hole before them',
      { zerosAtEnd: 8 * KIB, zeroPageBytes: 200 * KIB, allocatedBytes: 900 * KIB },
      'holes',
    ],
    [
      'nothing but a hole',
      { zerosAtEnd: 1024 * KIB, zeroPageBytes: 1024 * KIB, allocatedBytes: 0 },
      'only zeros',
    ],
  ] as const)('%s', (_what, change, gaps) => {
    expect(gapsOf(1024 * KIB, { ...dense, ...change }, true)).toBe(gaps)
  })

  it.each([
    ['that is half zeros', 20_000, 10_000, 'zeros at the end'],
    ['of nothing but zeros', 20_000, 20_000, 'only zeros'],
    ['of a few zeros, as somebody may stage to try', 1, 1, undefined],
    ['with a word of zeros', 20_000, 4_000, undefined],
    ['that is empty', 0, 0, undefined],
  ] as const)('in a small file %s', (_what, bytes, zerosAtEnd, gaps) => {
    expect(gapsOf(bytes, { ...dense, zerosAtEnd }, true)).toBe(gaps)
  })

  it('is nothing to note in an old file, unless the disk holds no data for its end', () => {
    const zeros = { ...dense, zerosAtEnd: 600 * KIB, zeroPageBytes: 600 * KIB }
    expect(gapsOf(1024 * KIB, zeros, false)).toBeUndefined()
    expect(
      gapsOf(1024 * KIB, { ...dense, zeroPageBytes: 600 * KIB, allocatedBytes: 424 * KIB }, false),
    ).toBeUndefined()
    expect(gapsOf(1024 * KIB, { ...zeros, allocatedBytes: 424 * KIB }, false)).toBe('end unwritten')
    expect(gapsOf(600 * KIB, zeros, false)).toBe('only zeros')
  })
})

describe('the judgement of such a file', () => {
  const judgement = { published: NO_STANDING, format: NO_FORMAT, notes: ['a note'], holds: [], sure: false }
  const causes = (mtimeNs: bigint, gaps?: Version['gaps']) =>
    withCopyTraces(judgement, versionAt(mtimeNs, gaps)).holds.map(({ cause }) => cause)
  const versionAt = (mtimeNs: bigint, gaps?: Version['gaps']) =>
    ({ identity: { mtimeNs }, ...(gaps !== undefined && { gaps }) }) as Version
  const NOW = 1_772_500_000_000_000_000n

  it('stays as it is for other files', () => {
    expect(withCopyTraces(judgement, versionAt(NOW))).toEqual(judgement)
  })

  it('is not touched where a published checksum matches or the contents were checked', () => {
    const sure = { ...judgement, sure: true }
    expect(withCopyTraces(sure, versionAt(0n, 'end unwritten'))).toBe(sure)
  })

  it('keeps the reason that it has to hold the image, and adds each of its own', () => {
    const damaged = { cause: 'damaged gzip', reason: 'It is damaged.' }
    const { holds } = withCopyTraces({ ...judgement, holds: [damaged] }, versionAt(0n, 'end unwritten'))
    expect(holds.map(({ cause }) => cause)).toEqual(['damaged gzip', 'end unwritten', 'dated 1970'])
  })

  it('notes 1970 and 1980, and holds what has the first second of 1970', () => {
    const marked = withCopyTraces(judgement, versionAt(315_532_800_000_000_000n))
    expect(marked).toMatchObject({ notes: ['a note', expect.stringContaining('1980')] })
    expect(marked.holds).toEqual([])
    for (const within of [0n, 232_105_000n]) expect(causes(within)).toEqual(['dated 1970'])
    expect(causes(1_000_000_000n)).toEqual([])
  })
})
