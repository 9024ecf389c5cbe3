/** What a device stands as, out of all that is on record, in the ledger's order. Each test was a wrong conclusion. */
import { describe, expect, it } from 'vitest'
import type { ImageReference } from '../../server/ledger/entries.ts'
import { type PlanFacts, planAgainstFacts } from '../../server/visit/plan.ts'
import { isDone, isOpen, STANDINGS } from '../../server/visit/standing-names.ts'
import { standingSentence, standingWords } from '../../server/wording/standing-words.ts'
import { tallyOfPlan, tallyWords } from '../../server/wording/tally.ts'
import {
  deviceOf,
  factsOf,
  image,
  onOffer,
  planOf,
  RADIO,
  type Story,
  SWITCH_41,
  SWITCH_44,
  sheetRows,
  story,
} from './visit-story.ts'

const DESK = { address: '192.0.2.10', mac: '00:00:5e:00:53:0a' }
const HALL = { address: '192.0.2.11' }
const ROWS = sheetRows(
  'device,address,mac,image,version_target,rollback',
  `desk,${DESK.address},${DESK.mac},reading-room-4.4.bin,4.4,reading-room-4.1.bin`,
)
/** The file of the same name with other bytes. */
const REPLACED: ImageReference = { ...SWITCH_44, sha256: '5'.repeat(64) }

const desk = (told: Story, over = true, rows = ROWS) => deviceOf(planOf(rows, told.entries, over), 'desk')
const standing = (told: Story, over = true) => desk(told, over).standing
const held = (what: ImageReference, reason = 'Its SHA-256 is not the published one.') =>
  ({ kind: 'held', name: what.name, sha256: what.sha256, reason }) as const
const lifted = (what: ImageReference) =>
  ({ kind: 'lifted', name: what.name, sha256: what.sha256, reason: 'known', by: 'engineer' }) as const

it('only "confirmed" and "pulled" are done, and a row without an image is neither done nor open', () => {
  expect(STANDINGS.filter(isDone)).toEqual(['confirmed', 'pulled'])
  expect(STANDINGS.filter((each) => !isOpen(each))).toEqual(['confirmed', 'pulled', 'nothing planned'])
  expect(planOf(sheetRows('device', 'lamp'), [], true)).toMatchObject({ complete: true })
})

describe('the version that is on offer last under the name', () => {
  it('a file that was replaced after the pull opens the device again: it was "pulled", nothing open', () => {
    const told = story().offer(SWITCH_44).pull(DESK, SWITCH_44)
    expect(standing(told)).toBe('pulled')
    told.offer(REPLACED)
    expect(standingWords(desk(told))).toBe('contradicted: it holds an earlier version')
    expect(planOf(ROWS, told.entries, true).complete).toBe(false)
    expect(standing(told.pull(DESK, REPLACED))).toBe('pulled')
  })

  it('a file that was put back as it had been closes it again, unless the device took the other one meanwhile', () => {
    const back = () => story().offer(SWITCH_44).pull(DESK, SWITCH_44).offer(REPLACED)
    expect(standing(back().offer(SWITCH_44))).toBe('pulled')
    expect(standing(back().pull(DESK, REPLACED).offer(SWITCH_44))).toBe('contradicted')
  })

  it('a cell that names a version by the digits of its digest means that version, whatever came after it', () => {
    const rows = sheetRows('device,address,image', `desk,${DESK.address},44444444`)
    const told = story().offer(SWITCH_44).pull(DESK, SWITCH_44).offer(REPLACED)
    expect(desk(told, true, rows).standing).toBe('pulled')
  })

  it('an image that was held after the pull opens the device again; a lift closes it', () => {
    const told = story().offer(SWITCH_44).pull(DESK, SWITCH_44).add(held(SWITCH_44, 'withdrawn by the maker'))
    expect(standingWords(desk(told))).toBe('contradicted: its image is held')
    expect(standingSentence(desk(told))).toBe(
      'It holds reading-room-4.4.bin, which is held now: withdrawn by the maker.',
    )
    expect(standing(told.add(lifted(SWITCH_44)))).toBe('pulled')
    expect(standing(told.add(held(SWITCH_44, 'another reason')))).toBe('contradicted')
  })

  it('a checksum that came late and differs, and is judged anew and found to match, opens and closes', () => {
    const told = story().offer(SWITCH_44).pull(DESK, SWITCH_44).offer(SWITCH_44).add(held(SWITCH_44))
    expect(standing(told)).toBe('contradicted')
    expect(standing(told.offer(SWITCH_44))).toBe('pulled')
  })

  it('a hold that was lifted by mistake holds again when the lift is struck', () => {
    const told = story().offer(SWITCH_44).pull(DESK, SWITCH_44).add(held(SWITCH_44)).add(lifted(SWITCH_44))
    const lift = told.entries.at(-1)?.seq ?? 0
    expect(standing(told)).toBe('pulled')
    told.add({ kind: 'struck', strikes: lift, reason: 'wrong image', by: 'engineer' })
    expect(standing(told)).toBe('contradicted')
  })

  it('a hold of an image stays when its file is removed', () => {
    const { name, sha256 } = SWITCH_44
    const told = story().offer(SWITCH_44).pull(DESK, SWITCH_44).add(held(SWITCH_44))
    expect(standing(told.add({ kind: 'image-gone', name, sha256 }))).toBe('contradicted')
    expect(
      standing(story().offer(SWITCH_44).pull(DESK, SWITCH_44).add({ kind: 'image-gone', name, sha256 })),
    ).toBe('pulled')
  })

  it('a hold of another image says nothing about this one', () => {
    const told = story().offer(SWITCH_44).offer(RADIO).pull(DESK, SWITCH_44).add(held(RADIO))
    expect(standing(told)).toBe('pulled')
  })
})

describe('what the device printed', () => {
  it('the digest of another image was a warning beside "complete"', () => {
    const told = story().pull(DESK, SWITCH_44).printed('desk', RADIO)
    const plan = planOf(ROWS, told.entries, true)
    expect(deviceOf(plan, 'desk')).toMatchObject({ standing: 'contradicted', done: false })
    expect(plan.complete).toBe(false)
  })

  it('the digest of no image at all speaks against it too, and so does one of an earlier version', () => {
    expect(standing(story().pull(DESK, SWITCH_44).printed('desk', 'ab'.repeat(16), 'md5'))).toBe(
      'contradicted',
    )
    const told = story().offer(SWITCH_44).pull(DESK, SWITCH_44).printed('desk', SWITCH_44)
    expect(standing(told)).toBe('confirmed')
    expect(standing(told.offer(REPLACED))).toBe('contradicted')
  })

  it('the digest of the planned version is the best there is, and is shown as such', () => {
    const told = story().pull(DESK, SWITCH_44, { ending: 'unconfirmed' }).printed('desk', SWITCH_44)
    expect(standingWords(desk(told))).toBe('confirmed: the device printed it, SHA-256')
    expect(standing(story().printed('desk', SWITCH_44))).toBe('confirmed')
    const weak = desk(story().printed('desk', SWITCH_44, 'md5'))
    expect(standingSentence(weak)).toContain('MD5 guards against accident, not against forgery')
  })

  it('a later pull of the same version does not outrank it; one of another image does', () => {
    const told = story().printed('desk', SWITCH_44).pull(DESK, SWITCH_44)
    expect(standing(told)).toBe('confirmed')
    expect(standing(told.pull(DESK, RADIO))).toBe('wrong image')
  })

  it('of another digest and a complete pull of what is planned the later one decides', () => {
    expect(standing(story().printed('desk', RADIO).pull(DESK, SWITCH_44))).toBe('pulled')
    expect(standing(story().printed('desk', RADIO).pull(DESK, SWITCH_44, { ending: 'unconfirmed' }))).toBe(
      'unconfirmed',
    )
  })

  it('a pull before the other digest does not come back to life through an unconfirmed one after it', () => {
    const told = story().pull(DESK, SWITCH_44).printed('desk', RADIO)
    expect(standing(told.pull(DESK, SWITCH_44, { ending: 'unconfirmed' }))).toBe('unconfirmed')
  })

  it('a digest that was printed before its image came is known by its value', () => {
    const told = story().printed('desk', SWITCH_44.sha256).offer(SWITCH_44)
    expect(standing(told)).toBe('confirmed')
    expect(standing(story().printed('desk', '44444444', 'crc32').offer(SWITCH_44))).toBe('confirmed')
  })

  it('an observation that was struck counts for nothing', () => {
    const told = story().pull(DESK, SWITCH_44).printed('desk', RADIO)
    const seq = told.entries.at(-1)?.seq ?? 0
    told.add({ kind: 'struck', strikes: seq, reason: 'another device', by: 'engineer' })
    expect(desk(told)).toMatchObject({ standing: 'pulled', printed: null, observations: [] })
  })
})

describe('the version that a person observed', () => {
  it('after the pull, other than the sheet states, was a warning beside "complete"', () => {
    const told = story().pull(DESK, SWITCH_44).after('desk', '4.1')
    expect(desk(told)).toMatchObject({ standing: 'contradicted', done: false })
    expect(standingSentence(desk(told))).toMatch(
      /^It showed version 4\.1 \(observed by engineer at .*\); planned is 4\.4\.$/,
    )
  })

  it('a guessed target gives a remark and no more', () => {
    const rows = sheetRows('device,address,image', `desk,${DESK.address},reading-room-4.4.bin`)
    const told = desk(story().pull(DESK, SWITCH_44).after('desk', '4.1'), true, rows)
    expect(told).toMatchObject({ standing: 'pulled', done: true, warnings: [] })
    expect(told.remarks.join()).toContain('is not the one in the name of the image (a guess), 4.4')
  })

  it('a later one corrects it, and so does a later pull', () => {
    const told = () => story().pull(DESK, SWITCH_44).after('desk', '4.1')
    expect(standing(told().after('desk', '4.4.0'))).toBe('pulled')
    expect(standing(told().pull(DESK, SWITCH_44))).toBe('pulled')
  })

  it('the planned one without any pull makes nothing done', () => {
    expect(desk(story().after('desk', '4.4'))).toMatchObject({ done: false })
    expect(standing(story().pull(DESK, SWITCH_44, { ending: 'unconfirmed' }).after('desk', '4.4'))).toBe(
      'unconfirmed',
    )
  })
})

describe('the image that was pulled last', () => {
  it('the rollback image after the right one was "pulled", done', () => {
    const told = story().pull(DESK, SWITCH_44).pull(DESK, SWITCH_41)
    expect(desk(told)).toMatchObject({ standing: 'rolled back', done: false })
    expect(standing(told.pull(DESK, SWITCH_44))).toBe('pulled')
  })

  it('a rollback image that broke off changes nothing, and is told', () => {
    const told = desk(story().pull(DESK, SWITCH_44).pull(DESK, SWITCH_41, { handed: 10 }))
    expect(told.standing).toBe('pulled')
    expect(told.remarks.join()).toContain('Asked for the rollback image')
  })

  it('the clock set back an hour after the right pull hid the wrong image', () => {
    const told = story().pull(DESK, SWITCH_44).clock(-3_600_000).pull(DESK, RADIO)
    expect(standing(told)).toBe('wrong image')
    expect(standing(told.clock(-3_600_000).pull(DESK, SWITCH_44))).toBe('pulled')
  })

  it('a wrong image that is still under way is shown, and the right one that began after it', () => {
    const wrong = story().pull(DESK, SWITCH_44).begin(DESK, RADIO)
    expect(standing(wrong, false)).toBe('wrong image')
    expect(standing(wrong.begin(DESK, SWITCH_44), false)).toBe('pulling')
  })

  it('a wrong image that ends after the right one came last', () => {
    const told = story().begin(DESK, RADIO)
    const id = told.entries.length
    told.pull(DESK, SWITCH_44)
    told.add({
      kind: 'fetch-ended',
      id,
      ending: 'delivered',
      bytesHandedOver: RADIO.bytes,
      durationMs: 9_000,
    })
    expect(standing(told)).toBe('wrong image')
  })
})

describe('a wrong image that began before the end of the right one was on record', () => {
  const BOTH = { right: 1, wrong: 2 }
  const began = () => story().begin(DESK, SWITCH_44).begin(DESK, RADIO)
  const ended = (id: number, ending: 'delivered' | 'cut' | 'lost-track', bytesHandedOver: number) =>
    ({ kind: 'fetch-ended', id, ending, bytesHandedOver, durationMs: 1_000 }) as const
  const right = ended(BOTH.right, 'delivered', SWITCH_44.bytes)

  it('and whose own end was lost with the server left the device "pulled"', () => {
    const told = began()
      .add(right)
      .add(ended(BOTH.wrong, 'lost-track', 0))
    expect(standing(told)).toBe('wrong image')
    expect(standing(began().add(right), false)).toBe('wrong image')
  })

  it('and broke off before it counts less', () => {
    expect(
      standing(
        began()
          .add(ended(BOTH.wrong, 'cut', 1))
          .add(right),
      ),
    ).toBe('pulled')
  })
})

describe('a device that was refused', () => {
  it.each([409, 403, 404, 503])('with %i was "waiting" without a word', (status) => {
    const told = desk(story().refuse(DESK, SWITCH_44, 'the image is held', status), false)
    expect(standingWords(told)).toBe(`refused: ${status}`)
    expect(standingSentence(told)).toMatch(
      new RegExp(
        `^It was refused at \\d\\d:\\d\\d:\\d\\d with ${status} \\(/reading-room-4.4.bin\\): the image is held`,
      ),
    )
  })

  it('is refused no more when it pulls, and not when what it asked for is known to be whole', () => {
    const told = () => story().refuse(DESK, SWITCH_44, 'not ready yet', 503)
    expect(standing(told().begin(DESK, SWITCH_44), false)).toBe('pulling')
    expect(standing(told().pull(DESK, SWITCH_44))).toBe('pulled')
    expect(standingWords(desk(told().pull(DESK, SWITCH_44, { handed: 3 })))).toBe(
      'waiting: its pull broke off',
    )
    expect(standing(story().pull(DESK, SWITCH_44).refuse(DESK, RADIO))).toBe('pulled')
    expect(standing(story().refuse(DESK, SWITCH_44, 'it holds all of it', 416))).toBe('waiting')
  })

  it('long before two hundred others fetched is still told', () => {
    const told = story().refuse(DESK, SWITCH_44, 'held', 409)
    for (let other = 0; other < 250; other += 1) told.refuse({ address: `198.51.100.${other}` }, RADIO)
    expect(standing(told, false)).toBe('refused')
  })
})

describe('several steps', () => {
  const STEPS = sheetRows(
    'device,address,mac,image,version_target',
    `desk,${DESK.address},${DESK.mac},reading-room-4.1.bin,4.1`,
    'desk,,,reading-room-4.4.bin,4.4',
  )
  const whole = (told: Story) => desk(told, true, STEPS)

  it('the first that is not done decides', () => {
    expect(whole(story().pull(DESK, SWITCH_41).pull(DESK, SWITCH_44))).toMatchObject({ done: true })
    expect(whole(story().pull(DESK, SWITCH_44))).toMatchObject({ standing: 'waiting', step: 1 })
    expect(whole(story().printed('desk', SWITCH_44))).toMatchObject({ standing: 'waiting', step: 1 })
    expect(whole(story().pull(DESK, SWITCH_41).printed('desk', SWITCH_44))).toMatchObject({
      standing: 'confirmed',
      step: 2,
    })
  })

  it('the digest of the first step speaks for that one, and against the second after its pull', () => {
    const told = story().pull(DESK, SWITCH_41).printed('desk', SWITCH_41)
    expect(whole(told).steps.map((step) => step.standing)).toEqual(['confirmed', 'waiting'])
    expect(whole(told.pull(DESK, SWITCH_44).printed('desk', SWITCH_41)).done).toBe(false)
  })

  it('the version between is no contradiction; it is one after the last step', () => {
    const told = story().pull(DESK, SWITCH_41).after('desk', '4.1')
    expect(whole(told)).toMatchObject({ standing: 'waiting', step: 2 })
    expect(whole(told.pull(DESK, SWITCH_44).after('desk', '4.1'))).toMatchObject({
      standing: 'contradicted',
      step: 2,
    })
  })

  it('the first image pulled again takes the second back', () => {
    const told = story().pull(DESK, SWITCH_41).pull(DESK, SWITCH_44).pull(DESK, SWITCH_41)
    expect(whole(told)).toMatchObject({ standing: 'waiting', step: 2 })
    expect(whole(told.pull(DESK, SWITCH_44)).done).toBe(true)
  })

  it('a wrong image between two steps undoes neither', () => {
    const told = story().pull(DESK, SWITCH_41).pull(DESK, RADIO)
    expect(whole(told).standing).toBe('wrong image')
    expect(whole(told.pull(DESK, SWITCH_44)).steps.map((step) => step.standing)).toEqual(['pulled', 'pulled'])
  })
})

describe('behind another device or a shared address', () => {
  it('what another pulled from an address that several share was done for the device behind it', () => {
    const rows = sheetRows(
      'device,address,via,image',
      'loft,198.51.100.7,,lending-desk-2.8.img',
      'attic,198.51.100.7,,lending-desk-2.8.img',
      'beam,,loft,lending-desk-2.8.img',
      'rafter,,loft,reading-room-4.4.bin',
    )
    const from = { address: '198.51.100.7' }
    const { devices } = planOf(rows, story().pull(from, RADIO).pull(from, SWITCH_44).entries, true)
    expect(devices.map((each) => each.standing)).toEqual([
      'unconfirmed',
      'unconfirmed',
      'unconfirmed',
      'unconfirmed',
    ])
  })

  it('why a device was refused itself stood beside "pulled" once the one in front had pulled for it', () => {
    const rows = sheetRows(
      'device,address,via,image',
      `desk,${DESK.address},,reading-room-4.4.bin`,
      `lamp,${HALL.address},desk,reading-room-4.4.bin`,
    )
    const told = story().refuse(HALL, SWITCH_44, 'not ready yet', 503)
    expect(deviceOf(planOf(rows, told.entries, true), 'lamp').standing).toBe('refused')
    const lamp = deviceOf(planOf(rows, told.pull(DESK, SWITCH_44).entries, true), 'lamp')
    expect([lamp.standing, lamp.grounds]).toEqual(['pulled', null])
  })

  it('an image that is planned for another device at the address was a wrong one', () => {
    const rows = sheetRows(
      'device,address,image',
      'loft,198.51.100.7,lending-desk-2.8.img',
      'attic,198.51.100.7,reading-room-4.4.bin',
    )
    const from = { address: '198.51.100.7' }
    const { devices } = planOf(rows, story().pull(from, RADIO).pull(from, SWITCH_44).entries, true)
    expect(devices.map((each) => each.standing)).toEqual(['unconfirmed', 'unconfirmed'])
  })

  it('the digest that the one in front printed speaks against those behind it, and never confirms them', () => {
    const rows = sheetRows(
      'device,address,via,image',
      `desk,${DESK.address},,reading-room-4.4.bin`,
      'lamp,,desk,reading-room-4.4.bin',
    )
    const lamp = (told: Story) => deviceOf(planOf(rows, told.entries, true), 'lamp').standing
    const told = story().pull(DESK, SWITCH_44).printed('desk', SWITCH_44)
    expect(lamp(told)).toBe('pulled')
    expect(lamp(told.printed('desk', RADIO))).toBe('contradicted')
    expect(lamp(told.printed('lamp', SWITCH_44))).toBe('confirmed')
  })
})

it('two folders of one visit may each have a file of the name: each has its own last version', () => {
  const other = image('reading-room-4.4.bin', '6')
  const told = story().offer(SWITCH_44).pull(DESK, SWITCH_44)
  const there = story().add(onOffer(other)).pull(HALL, other)
  const rows = sheetRows(
    'device,address,image',
    `desk,${DESK.address},reading-room-4.4.bin`,
    `hall,${HALL.address},reading-room-4.4.bin`,
  )
  const facts = [told, there].map(({ entries }) => factsOf(rows, entries))
  const plan = planAgainstFacts({
    ...(facts[0] as PlanFacts),
    ledgers: facts.flatMap(({ ledgers }) => ledgers),
  })
  expect(plan.devices.map((each) => each.standing)).toEqual(['pulled', 'pulled'])
})

it('the tally names the done, the open by their mark, and clients that stand on no row', () => {
  const rows = sheetRows(
    'device,address,image',
    `desk,${DESK.address},reading-room-4.4.bin`,
    `hall,${HALL.address},reading-room-4.4.bin`,
    'lamp,,',
  )
  const told = story().pull(DESK, SWITCH_44).pull({ address: '203.0.113.9' }, RADIO)
  expect(tallyWords(tallyOfPlan(planOf(rows, told.entries)))).toBe(
    '1 of 2 done · 1 waiting · 1 client is not on the sheet',
  )
})
