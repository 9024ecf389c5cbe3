import { describe, expect, it } from 'vitest'
import type { ImageReference } from '../../server/ledger/entries.ts'
import { planAgainstFacts } from '../../server/visit/plan.ts'
import { createVisitEvidence } from '../../server/visit/visit-evidence.ts'
import {
  standingSentence,
  standingWords,
  strangerWords,
  targetWords,
} from '../../server/wording/standing-words.ts'
import { deviceOf, factsOf, planOf, RADIO, SWITCH_41, SWITCH_44, sheetRows, story } from './visit-story.ts'

const MAC_A = '00:00:5e:00:53:0a'
const MAC_B = '00:00:5e:00:53:0b'
const A = { address: '192.0.2.10', mac: MAC_A }
const B = { address: '192.0.2.11', mac: MAC_B }

const TWO = sheetRows(
  'device,address,mac,image',
  `desk,192.0.2.10,${MAC_A},reading-room-4.4.bin`,
  'hall,192.0.2.11,,lending-desk-2.8.img',
)

describe('the plan against what happened', () => {
  it('waits, shows what is being pulled, and says at the end who never came', () => {
    const told = story().begin(A, SWITCH_44)
    const during = planOf(TWO, told.entries)
    expect(during.devices.map(({ device, standing }) => [device, standing])).toEqual([
      ['desk', 'pulling'],
      ['hall', 'waiting'],
    ])
    const after = planOf(TWO, story().pull(A, SWITCH_44).entries, true)
    expect(after.devices.map(({ device, standing, done }) => [device, standing, done])).toEqual([
      ['desk', 'pulled', true],
      ['hall', 'not seen', false],
    ])
    expect(after.complete).toBe(false)
    expect(after.counts).toEqual({ pulled: 1, 'not seen': 1 })
  })

  it('is complete when every device pulled what was planned for it', () => {
    const plan = planOf(TWO, story().pull(A, SWITCH_44).pull(B, RADIO).entries, true)
    expect(plan.complete).toBe(true)
    expect(plan.strangers).toEqual([])
    expect(deviceOf(plan, 'desk').identifiedBy).toBe('hardware address')
    expect(deviceOf(plan, 'hall').identifiedBy).toBe('address')
    expect(deviceOf(plan, 'hall').remarks.join()).toContain('network address alone')
  })

  it('shows a wrong image from its first moment, and keeps saying so after the right one', () => {
    const begun = story().begin(A, RADIO)
    const during = deviceOf(planOf(TWO, begun.entries), 'desk')
    expect(during.standing).toBe('wrong image')
    expect(standingWords(during)).toBe('wrong image: lending-desk-2.8.img')
    expect(standingSentence(during)).toBe('It fetched an image that is not planned for it.')
    const mended = deviceOf(planOf(TWO, story().pull(A, RADIO).pull(A, SWITCH_44).entries, true), 'desk')
    expect(mended.standing).toBe('pulled')
    expect(mended.remarks.join()).toContain('Had pulled lending-desk-2.8.img before')
    const ruined = deviceOf(planOf(TWO, story().pull(A, SWITCH_44).pull(A, RADIO).entries, true), 'desk')
    expect([ruined.standing, ruined.done]).toEqual(['wrong image', false])
  })

  it('does not take the rollback image for a wrong image, and says that it was pulled', () => {
    const rows = sheetRows('device,address,image,rollback', 'desk,192.0.2.10,44444444,reading-room-4.1.bin')
    const desk = deviceOf(planOf(rows, story().pull(A, SWITCH_41).entries, true), 'desk')
    expect(standingWords(desk)).toBe('rolled back: reading-room-4.1.bin')
    expect(desk.done).toBe(false)
    expect(desk.remarks.join()).toContain('Pulled the rollback image, reading-room-4.1.bin')
    expect(desk.wrongPulls).toEqual([])
  })

  it.each(['/reading-room-4.4.bin', 'Reading-Room-4.4.BIN', '444444', '/44444444.bin'])(
    'finds the planned image under %s',
    (cell) => {
      const rows = sheetRows('device,address,image', `desk,192.0.2.10,${cell}`)
      expect(deviceOf(planOf(rows, story().pull(A, SWITCH_44).entries), 'desk').standing).toBe('pulled')
    },
  )

  it('does not take switch.bin for SWITCH.BIN where both are on offer; where one is, letter case does not count', () => {
    const upper = { ...SWITCH_44, name: 'SWITCH.BIN', plainPath: 'SWITCH.BIN' }
    const lower = { ...SWITCH_41, name: 'switch.bin', plainPath: 'switch.bin' }
    const rows = sheetRows('device,address,image', 'desk,192.0.2.10,SWITCH.BIN')
    const desk = (cells: typeof rows, pulled: ImageReference, images: readonly ImageReference[]) =>
      deviceOf(planAgainstFacts(factsOf(cells, story().pull(A, pulled).entries, false, images)), 'desk')
    expect(desk(rows, lower, [upper, lower]).standing).toBe('wrong image')
    expect(desk(rows, upper, [upper, lower]).standing).toBe('pulled')
    expect(desk(rows, lower, [lower]).standing).toBe('pulled')
    const neither = sheetRows('device,address,image', 'desk,192.0.2.10,Switch.Bin')
    expect(desk(neither, lower, [upper, lower]).warnings.join()).toContain(
      'is not on offer: put it into the folder',
    )
  })

  it('says of a device what stops at one place may mean, as a guess, and no more once it pulled all', () => {
    const big = { ...SWITCH_44, bytes: 100_000_000 }
    const stopped = story()
    for (let times = 0; times < 3; times += 1) stopped.pull(A, big, { handed: 61_000_000 })
    const remarks = (told: ReturnType<typeof story>): string =>
      deviceOf(planOf(TWO, told.entries), 'desk').remarks.join()
    expect(remarks(stopped)).toMatch(
      /A guess: Stopped 3 times near the same place \(about 61 % of the image\)/,
    )
    expect(deviceOf(planOf(TWO, stopped.entries), 'hall').remarks.join()).not.toContain('guess')
    expect(remarks(stopped.pull(A, big))).not.toContain('guess')
  })

  it('takes the version in the name of the image for the target where the sheet has none, marked as a guess', () => {
    const rows = (target: string) =>
      sheetRows(
        'device,address,image,version_before,version_target',
        `desk,192.0.2.10,44444444,4.9,${target}`,
      )
    const guessed = deviceOf(planOf(rows(''), []), 'desk')
    expect(guessed.versions).toMatchObject({ target: '4.4', targetGuessed: true })
    expect(targetWords(guessed.versions)).toBe('4.4 (a guess from the name of the image)')
    expect(guessed.warnings).toEqual([])
    expect(guessed.remarks).toContain(
      'Downgrade: the version in the name of the image (a guess), 4.4, is older than 4.9.',
    )
    const told = deviceOf(planOf(rows('5.0'), []), 'desk')
    expect(told.versions).toMatchObject({ target: '5.0', targetGuessed: false })
    expect(told.warnings).toEqual([])
  })

  it('keeps short numbers from naming a digest, and says when nothing of the name was on offer', () => {
    const rows = sheetRows('device,address,image', 'desk,192.0.2.10,44')
    const desk = deviceOf(planOf(rows, story().pull(A, SWITCH_44).entries), 'desk')
    expect(desk.standing).toBe('wrong image')
    expect(desk.warnings.join()).toContain('is not on offer: put it into the folder')
  })

  it('says of a stranger what broke off', () => {
    const from = { address: '203.0.113.5' }
    const told = story()
      .pull(from, SWITCH_44, { handed: 10 })
      .pull(from, SWITCH_44)
      .pull(from, RADIO, { handed: 10 })
    const [stranger] = planOf(TWO, told.entries, true).strangers
    expect(strangerWords(stranger?.pulls ?? [])).toBe(
      'reading-room-4.4.bin, lending-desk-2.8.img (incomplete)',
    )
  })

  it('never counts a rehearsal', () => {
    const plan = planOf(TWO, story().pull(A, RADIO, { rehearsal: true }).entries, true)
    expect(plan.devices.map(({ standing }) => standing)).toEqual(['not seen', 'not seen'])
    expect(plan.strangers).toEqual([])
  })

  it('grades what broke off and what nobody confirmed', () => {
    const cut = planOf(TWO, story().pull(A, SWITCH_44, { handed: 10 }).entries, true)
    expect(standingWords(deviceOf(cut, 'desk'))).toBe('waiting: its pull broke off')
    const unsure = planOf(TWO, story().pull(A, SWITCH_44, { ending: 'unconfirmed' }).entries, true)
    expect([deviceOf(unsure, 'desk').standing, unsure.complete]).toEqual(['unconfirmed', false])
    const again = planOf(TWO, story().pull(A, SWITCH_44, { handed: 10 }).pull(A, SWITCH_44).entries, true)
    expect(deviceOf(again, 'desk').standing).toBe('pulled')
    expect(deviceOf(again, 'desk').steps[0]?.attempts).toHaveLength(2)
  })

  it('says of a device that was refused that it was, not that it waits or was never seen', () => {
    const desk = deviceOf(planOf(TWO, story().refuse(A, RADIO).entries, true), 'desk')
    expect([desk.standing, desk.refusals]).toEqual(['refused', 1])
  })
})

describe('who is who', () => {
  it('knows a device by its hardware address wherever it comes from', () => {
    const moved = { address: '192.0.2.99', mac: MAC_A }
    const told = story().pull(A, SWITCH_44, { handed: 400 }).pull(moved, SWITCH_44, { first: 400 })
    const desk = deviceOf(planOf(TWO, told.entries, true), 'desk')
    expect(desk.standing).toBe('pulled')
    expect(desk.seenAt).toEqual(['192.0.2.10', '192.0.2.99'])
    expect(desk.steps[0]?.pull?.notes).toContain('went on under another address: 192.0.2.99')
  })

  it('keeps a device that stands on the sheet by address alone when that changes', () => {
    const told = story().pull({ address: '192.0.2.77', mac: MAC_B }, RADIO, { handed: 5 })
    told.pull(B, RADIO)
    const plan = planOf(TWO, told.entries, true)
    expect(deviceOf(plan, 'hall').standing).toBe('pulled')
    expect(plan.strangers).toEqual([])
  })

  it('does not count another hardware address at a planned address as that device', () => {
    const plan = planOf(TWO, story().pull({ address: '192.0.2.10', mac: MAC_B }, SWITCH_44).entries, true)
    expect(deviceOf(plan, 'desk').standing).toBe('not seen')
    expect(deviceOf(plan, 'desk').remarks.join()).toContain(`another hardware address, ${MAC_B}`)
    expect(plan.strangers[0]?.remark).toContain('the one of desk on the sheet')
  })

  it('takes a device behind a router by its address, and says so', () => {
    const desk = deviceOf(planOf(TWO, story().pull({ address: '192.0.2.10' }, SWITCH_44).entries), 'desk')
    expect([desk.standing, desk.identifiedBy]).toEqual(['pulled', 'address'])
    expect(desk.remarks.join()).toContain('as behind a router')
  })

  it('claims no more than unconfirmed for devices that share an address', () => {
    const rows = sheetRows(
      'device,address,image',
      'loft,198.51.100.7,lending-desk-2.8.img',
      'attic,198.51.100.7,lending-desk-2.8.img',
      'desk,192.0.2.10,reading-room-4.4.bin',
    )
    const router = { address: '198.51.100.7' }
    const plan = planOf(
      rows,
      story().pull(router, RADIO).pull(router, RADIO).pull(A, SWITCH_44).entries,
      true,
    )
    expect(plan.devices.map(({ standing }) => standing)).toEqual(['unconfirmed', 'unconfirmed', 'pulled'])
    expect(deviceOf(plan, 'loft').identifiedBy).toBe('shared address')
    expect(deviceOf(plan, 'loft').remarks.join()).toContain('with attic: which of them pulled was not seen')
  })

  it('claims no more for devices with one hardware address on the sheet: the router or the adapter before them', () => {
    const rows = sheetRows(
      'device,address,mac,image',
      `loft,192.0.2.10,${MAC_A},lending-desk-2.8.img`,
      `attic,192.0.2.10,${MAC_A},lending-desk-2.8.img`,
    )
    const plan = planOf(rows, story().pull(A, RADIO).entries, true)
    expect(plan.devices.map(({ standing }) => standing)).toEqual(['unconfirmed', 'unconfirmed'])
    expect(plan.complete).toBe(false)
  })

  it('lists clients that stand nowhere on the sheet', () => {
    const stranger = { address: '203.0.113.5', mac: '00:00:5e:00:53:66' }
    const plan = planOf(TWO, story().pull(stranger, RADIO).pull(stranger, SWITCH_41).entries)
    expect(plan.strangers).toHaveLength(1)
    expect(plan.strangers[0]?.pulls.map((pull) => pull.image.name)).toEqual([RADIO.name, SWITCH_41.name])
  })
})

describe('a stack in which one device pulls for others', () => {
  const rows = sheetRows(
    'device,address,mac,via,image',
    `stack-1,192.0.2.10,${MAC_A},,reading-room-4.4.bin`,
    'stack-2,,,stack-1,',
    'stack-3,192.0.2.10,,stack-1,lending-desk-2.8.img',
  )

  it('says of the others who pulled, and never that they did', () => {
    const plan = planOf(rows, story().pull(A, SWITCH_44).pull(A, RADIO).entries, true)
    expect(plan.devices.map(standingWords)).toEqual(['pulled', 'pulled (by stack-1)', 'pulled (by stack-1)'])
    expect(deviceOf(plan, 'stack-2').remarks.join()).toContain('was not seen')
    expect(plan.complete).toBe(true)
  })

  it('leaves them open while the one that pulls for them has not', () => {
    const plan = planOf(rows, story().pull(A, SWITCH_44, { handed: 3 }).entries, true)
    expect(plan.devices.map(standingWords)).toEqual([
      'waiting: its pull broke off',
      'waiting: its pull broke off (by stack-1)',
      'waiting (by stack-1)',
    ])
    expect(planOf(rows, []).devices.map(({ standing }) => standing)).toEqual([
      'waiting',
      'waiting',
      'waiting',
    ])
    expect(planOf(rows, [], true).devices.map(({ standing }) => standing)).toEqual([
      'not seen',
      'not seen',
      'not seen',
    ])
  })
})

describe('steps', () => {
  const rows = sheetRows(
    'device,address,image,version_before,version_target',
    'desk,192.0.2.10,reading-room-4.1.bin,3.9,4.1',
    'desk,,reading-room-4.4.bin,4.1,4.4',
  )

  it('go in the order of the sheet', () => {
    const halfway = deviceOf(planOf(rows, story().pull(A, SWITCH_41).entries), 'desk')
    expect([halfway.standing, halfway.step, halfway.done]).toEqual(['waiting', 2, false])
    expect(standingWords(halfway)).toBe('step 2 of 2: waiting')
    const whole = deviceOf(planOf(rows, story().pull(A, SWITCH_41).pull(A, SWITCH_44).entries), 'desk')
    expect(whole.steps.map(({ standing }) => standing)).toEqual(['pulled', 'pulled'])
    expect([whole.done, whole.remarks.some((remark) => remark.includes('before step'))]).toEqual([
      true,
      false,
    ])
  })

  it('say when a later one was pulled first', () => {
    const desk = deviceOf(planOf(rows, story().pull(A, SWITCH_44).pull(A, SWITCH_41).entries), 'desk')
    // What it took last is the image of the first step.
    expect(standingWords(desk)).toBe('step 2 of 2: waiting: pulled before the step ahead of it')
    expect(desk.done).toBe(false)
    expect(desk.remarks).toContain('Step 2 was pulled before step 1.')
  })

  it('take a pull each where the same image is planned twice', () => {
    const twice = sheetRows(
      'device,address,image',
      'desk,192.0.2.10,reading-room-4.1.bin',
      'desk,,reading-room-4.1.bin',
    )
    const once = deviceOf(planOf(twice, story().pull(A, SWITCH_41).entries), 'desk')
    expect(once.steps.map(({ standing }) => standing)).toEqual(['pulled', 'waiting'])
    const again = deviceOf(planOf(twice, story().pull(A, SWITCH_41).pull(A, SWITCH_41).entries), 'desk')
    expect(again.done).toBe(true)
  })
})

describe('what people and devices say', () => {
  it('compares versions before and after with the plan, and warns of a downgrade', () => {
    const rows = sheetRows(
      'device,address,image,version_before,version_target',
      'desk,192.0.2.10,reading-room-4.1.bin,4.4,4.1',
    )
    const planned = deviceOf(planOf(rows, []), 'desk')
    expect(planned.versions.warnings.join()).toContain('Downgrade')
    const told = story()
      .add({ kind: 'observed', device: 'DESK', by: 'engineer', before: '4.3' })
      .add({ kind: 'observed', device: '192.0.2.10', by: 'engineer', after: '4.0' })
      .add({ kind: 'observed', device: 'cellar', by: 'engineer', note: 'not there' })
    const plan = planOf(rows, told.entries)
    const desk = deviceOf(plan, 'desk')
    expect(desk.versions).toMatchObject({ before: '4.3', after: '4.0', target: '4.1', reached: false })
    expect(desk.versions.warnings).toHaveLength(3)
    expect(standingWords(desk)).toBe('contradicted: it shows version 4.0')
    expect(plan.otherObservations.map(({ device }) => device)).toEqual(['cellar'])
  })

  it('takes a later observation for a correction', () => {
    const rows = sheetRows('device,version_target', 'desk,4.4')
    const told = story()
      .add({ kind: 'observed', device: 'desk', by: 'engineer', after: '4.1' })
      .add({ kind: 'observed', device: 'desk', by: 'engineer', after: '4.4.0' })
    expect(deviceOf(planOf(rows, told.entries), 'desk').versions).toMatchObject({
      after: '4.4.0',
      reached: true,
      warnings: [],
    })
  })

  it('counts the digest that the device printed as the best evidence, for and against', () => {
    const printed = (image: typeof RADIO) =>
      ({
        kind: 'observed',
        device: 'desk',
        by: 'engineer',
        digest: { algorithm: 'sha256', value: image.sha256, image },
      }) as const
    const unsure = story().pull(A, SWITCH_44, { ending: 'unconfirmed' }).add(printed(SWITCH_44))
    const desk = deviceOf(planOf(TWO, unsure.entries, true), 'desk')
    expect([desk.standing, desk.printed?.planned, desk.done]).toEqual(['confirmed', true, true])
    const other = deviceOf(planOf(TWO, story().add(printed(RADIO)).entries, true), 'desk')
    expect([other.printed?.planned, other.done]).toEqual([false, false])
    expect(standingSentence(other)).toBe(
      'It printed the SHA-256 digest of lending-desk-2.8.img, which is not the version that is planned for it.',
    )
  })

  it('shows when a device went dark and came back', () => {
    const dark = story().add({ kind: 'device-dark', device: 'desk', address: '192.0.2.10' })
    expect(deviceOf(planOf(TWO, dark.entries), 'desk').returned).toMatchObject({ backAt: null })
    dark.add({ kind: 'device-back', device: 'desk', address: '192.0.2.10', darkMs: 61_000 })
    expect(deviceOf(planOf(TWO, dark.entries), 'desk').returned).toEqual({
      darkAt: '2026-11-25T20:00:01.000Z',
      backAt: '2026-11-25T20:00:02.000Z',
      darkMs: 61_000,
      address: '192.0.2.10',
    })
  })
})

it('a client that is not on the sheet and pulled 150,000 times is told in time in proportion to that', () => {
  const facts = factsOf([], story().pull({ address: '192.0.2.99' }, RADIO).entries)
  const [
    {
      pulls: [pull],
      evidence,
    } = { pulls: [], evidence: createVisitEvidence() },
  ] = facts.ledgers
  const pulls = Array.from({ length: 150_000 }, () => pull).filter((each) => each !== undefined)
  const begun = performance.now()
  const { strangers } = planAgainstFacts({ ...facts, ledgers: [{ pulls, evidence }] })
  expect(strangers[0]?.pulls).toHaveLength(150_000)
  expect(performance.now() - begun).toBeLessThan(5_000)
})
