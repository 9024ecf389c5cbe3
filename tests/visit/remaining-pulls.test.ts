/** What is still to be pulled, and how long that takes. Figures worked out by hand from the sheet and IEEE 802.3. */
import { describe, expect, it } from 'vitest'
import { createImageNames } from '../../server/visit/planned-image.ts'
import { mostBytesPerSecond, remainingPulls } from '../../server/visit/remaining-pulls.ts'
import { remainingWords } from '../../server/wording/remaining-words.ts'
import { image, planOf, sheetRows, story } from './visit-story.ts'

const SWITCH = image('reading-room-4.4.bin', '4', 30_000_000)
const RADIO = image('lending-desk-2.8.img', '8', 8_000_000)
const IMAGES = createImageNames([SWITCH, RADIO])
const A = { address: '192.0.2.10' }

const ROWS = sheetRows(
  'device,address,via,image',
  'sw1,192.0.2.10,,reading-room-4.4.bin',
  'sw2,192.0.2.11,,reading-room-4.4.bin',
  'sw3,,sw1,reading-room-4.4.bin',
  'ap1,192.0.2.12,,lending-desk-2.8.img',
  'ap1,,,reading-room-4.4.bin',
  'phone,192.0.2.13,,not-yet-here.bin',
  'door,192.0.2.14,,',
)

describe('before', () => {
  it('adds up what every device has still to pull itself, step by step, over the one link', () => {
    const remaining = remainingPulls(planOf(ROWS, []), IMAGES, [])
    expect(remaining).toMatchObject({
      devices: 4,
      bytes: 3 * 30_000_000 + 8_000_000,
      absent: ['not-yet-here.bin'],
      secondsNow: null,
    })
    expect(remaining?.estimates.map(({ linkMbps }) => linkMbps)).toEqual([100, 1_000])
    expect(remaining?.estimates[0]?.seconds).toBeCloseTo(98_000_000 / mostBytesPerSecond(100), 6)
    expect(remainingPulls(planOf(ROWS, []), IMAGES, [], [2_500])?.estimates[0]?.linkMbps).toBe(2_500)
  })

  it('is said in one sentence that names what is not counted', () => {
    const remaining = remainingPulls(planOf(ROWS, []), IMAGES, [])
    expect(remaining && remainingWords(remaining)).toBe(
      '4 devices still have to pull 98 MB: at best 8.3 s over 100 Mb/s, under 1 s over 1 Gb/s. Not in the folder, and not counted: not-yet-here.bin.',
    )
  })

  it('is over when all has been pulled', () => {
    const one = sheetRows('device,address,image', 'sw1,192.0.2.10,reading-room-4.4.bin')
    expect(remainingPulls(planOf(one, story().pull(A, SWITCH).entries), IMAGES, [])).toBeNull()
  })
})

describe('during', () => {
  it('leaves out what has been handed over and goes by the present rate of all that moves', () => {
    const plan = planOf(ROWS, story().begin(A, SWITCH).entries)
    const live = [{ fetches: ['1'], bytesNow: 10_000_000, rateNow: 4_000_000 }]
    const remaining = remainingPulls(plan, IMAGES, live)
    expect(remaining).toMatchObject({ devices: 4, bytes: 88_000_000, secondsNow: 22 })
    expect(remaining && remainingWords(remaining)).toContain('; at the present rate about 22 s.')
  })

  it('promises nothing while nothing moves', () => {
    const plan = planOf(ROWS, story().begin(A, SWITCH).entries)
    expect(remainingPulls(plan, IMAGES, [{ fetches: ['1'], bytesNow: 10_000_000 }])?.secondsNow).toBeNull()
  })

  it('counts a pull that broke off from the start: only a resume would be shorter', () => {
    const plan = planOf(ROWS, story().pull(A, SWITCH, { handed: 20_000_000 }).entries)
    expect(remainingPulls(plan, IMAGES, [])?.bytes).toBe(98_000_000)
  })
})
