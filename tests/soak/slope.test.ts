import { describe, expect, test } from 'vitest'
import { flatness, slope } from '../../scripts/soak/slope.mjs'
import { createRandom } from '../truth/random.ts'

const TOLERANCE = { share: 0.05, least: 2 }

function samples(valueAt: (minute: number) => number): { minute: number; value: number }[] {
  return Array.from({ length: 30 }, (_, at) => ({ minute: at + 1, value: valueAt(at + 1) }))
}

describe('the last third against the middle third', () => {
  const random = createRandom('slope')
  const noise = (most: number): number => (random.next() - 0.5) * 2 * most

  test('is flat when the figure only jitters, however much it grew while warming up', () => {
    expect(
      flatness(
        samples((minute) => Math.min(minute, 10) * 10 + noise(3)),
        TOLERANCE,
      ).flat,
    ).toBe(true)
  })

  test('is not flat when it grows steadily, jitter or not', () => {
    expect(
      flatness(
        samples((minute) => 100 + minute + noise(3)),
        TOLERANCE,
      ).flat,
    ).toBe(false)
  })

  test('is not misled by single samples that are far off', () => {
    const odd = samples((minute) => (minute === 24 || minute === 27 ? 900 : 100 + noise(1)))
    expect(flatness(odd, TOLERANCE).flat).toBe(true)
  })

  test('is flat when it falls', () => {
    expect(
      flatness(
        samples((minute) => 300 - minute),
        TOLERANCE,
      ).flat,
    ).toBe(true)
  })

  test('the slope is that of the line, and 0 for a single sample', () => {
    expect(slope(samples((minute) => 5 + 2 * minute))).toBe(2)
    expect(slope([{ minute: 1, value: 7 }])).toBe(0)
  })
})
