import { describe, expect, it } from 'vitest'
import { tailOf, withCopyTraces } from '../../server/staging/copy-traces.ts'
import type { Version } from '../../server/staging/image.ts'
import { NO_FORMAT, NO_STANDING } from '../../server/staging/judge.ts'

const KIB = 1024
const reading = { bytes: 1024 * KIB, zerosAtEnd: 0, allocatedBytes: 1024 * KIB }

describe('the end of a file', () => {
  it.each([
    ['bytes up to its end', {}, undefined],
    ['zeros, as padding has them', { zerosAtEnd: 63 * KIB }, undefined],
    ['a long run of zeros', { zerosAtEnd: 64 * KIB }, 'zeros'],
    [
      'zeros for which the disk holds no data',
      { zerosAtEnd: 600 * KIB, allocatedBytes: 424 * KIB },
      'unwritten',
    ],
    ['bytes, with a hole before them', { allocatedBytes: 24 * KIB }, undefined],
    ['zeros, with a hole of less than that', { zerosAtEnd: 64 * KIB, allocatedBytes: 1000 * KIB }, 'zeros'],
    ['nothing but a hole', { zerosAtEnd: 1024 * KIB, allocatedBytes: 0 }, 'zeros'],
    ['a small file that is half zeros', { bytes: 20_000, zerosAtEnd: 10_000 }, 'zeros'],
    ['a small file with a word of zeros', { bytes: 20_000, zerosAtEnd: 4_000 }, undefined],
    ['an empty file', { bytes: 0, allocatedBytes: 0 }, undefined],
  ] as const)('%s', (_what, change, tail) => {
    expect(tailOf({ ...reading, ...change }, true)).toBe(tail)
  })

  it('is nothing to note in an old file, unless the disk holds no data for it', () => {
    expect(tailOf({ ...reading, zerosAtEnd: 600 * KIB }, false)).toBeUndefined()
    expect(tailOf({ ...reading, zerosAtEnd: 600 * KIB, allocatedBytes: 424 * KIB }, false)).toBe('unwritten')
  })
})

describe('the judgement of such a file', () => {
  const judgement = { published: NO_STANDING, format: NO_FORMAT, notes: ['a note'], holds: [], sure: false }
  const causes = (mtimeNs: bigint, tail?: Version['tail']) =>
    withCopyTraces(judgement, versionAt(mtimeNs, tail)).holds.map(({ cause }) => cause)
  const versionAt = (mtimeNs: bigint, tail?: Version['tail']) =>
    ({ identity: { mtimeNs }, ...(tail !== undefined && { tail }) }) as Version
  const NOW = 1_772_500_000_000_000_000n

  it('stays as it is for other files', () => {
    expect(withCopyTraces(judgement, versionAt(NOW))).toEqual(judgement)
  })

  it('is not touched where a published checksum matches or the contents were checked', () => {
    const sure = { ...judgement, sure: true }
    expect(withCopyTraces(sure, versionAt(0n, 'unwritten'))).toBe(sure)
  })

  it('keeps the reason that it has to hold the image, and adds each of its own', () => {
    const damaged = { cause: 'damaged gzip', reason: 'It is damaged.' }
    const { holds } = withCopyTraces({ ...judgement, holds: [damaged] }, versionAt(0n, 'unwritten'))
    expect(holds.map(({ cause }) => cause)).toEqual(['damaged gzip', 'end unwritten', 'dated 1970'])
  })

  it('notes 1970 and 1980, and holds what has the first second of 1970', () => {
    const marked = withCopyTraces(judgement, versionAt(315_532_800_000_000_000n))
    expect(marked).toMatchObject({ notes: ['a note', expect.stringContaining('1980')] })
    expect(marked.holds).toEqual([])
    expect(causes(0n)).toEqual(['dated 1970'])
    expect(causes(1_000_000_000n)).toEqual([])
  })
})
