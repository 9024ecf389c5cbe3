/** How long it takes. Framing: IEEE 802.3; the figures below are worked out by hand from its octets. */
import { describe, expect, it } from 'vitest'
import { estimates, mostBytesPerSecond } from '../../server/visit/remaining-pulls.ts'

describe('before', () => {
  it('carries at most 11.87 MB/s over 100 Mb/s and 118.7 MB/s over 1 Gb/s', () => {
    // 12,500,000 octets per second / 1538 octets a frame (8 + 14 + 1500 + 4 + 12) = 8127.44 frames, of 1500 - 20 - 20 octets each.
    expect(mostBytesPerSecond(100)).toBeCloseTo(11_866_060, 0)
    expect(mostBytesPerSecond(1_000)).toBeCloseTo(118_660_598, 0)
  })

  it('takes a tenth of the time over a link of ten times the rate', () => {
    const [slow, fast] = estimates(1_448_000_000)
    expect(slow).toMatchObject({ linkMbps: 100 })
    expect(slow?.seconds).toBeCloseTo(1_448_000_000 / 11_866_060, 3)
    expect(fast?.seconds).toBeCloseTo((slow?.seconds ?? 0) / 10, 6)
  })

  it('takes no time for nothing, and other link rates', () => {
    expect(estimates(0, [2_500])).toEqual([{ linkMbps: 2_500, seconds: 0 }])
  })
})
