import { expect, it } from 'vitest'
import { createVisitView } from '../../server/bench/visit-view.ts'
import type { Plan } from '../../server/visit/plan.ts'
import type { ReadSheet } from '../../server/visit/visit-file.ts'
import { planOf, RADIO, SWITCH_44, sheetRows, story } from '../visit/visit-story.ts'

const ROWS = sheetRows(
  'device,address,image,version_before,version_target,note',
  'desk,192.0.2.10,reading-room-4.4.bin,4.1,4.4,by the door',
  'hall,192.0.2.11,lending-desk-2.8.img,2.9,2.8,',
)
const SHEET: ReadSheet = {
  file: 'visit.csv',
  sha256: '',
  rows: ROWS,
  columns: [],
  errors: ['row 3, column mac: x'],
  warnings: [],
}

it('shows a row a device, what needs a hand, and who is not on the sheet', () => {
  const told = story()
    .pull({ address: '192.0.2.10' }, RADIO)
    .pull({ address: '203.0.113.5', mac: '00:00:5e:00:53:66' }, SWITCH_44)
    .add({ kind: 'observed', device: 'desk', by: 'engineer', before: '4.0' })
  const view = createVisitView({ plan: () => planOf(ROWS, told.entries), sheet: SHEET })()
  expect(view).toMatchObject({ file: 'visit.csv', errors: ['row 3, column mac: x'] })
  expect(view?.rows.map(({ device, mark, versionBefore }) => [device, mark, versionBefore])).toEqual([
    ['desk', 'attention', '4.0'],
    ['hall', 'attention', '2.9'],
  ])
  expect(view?.rows[0]).toMatchObject({
    standing: 'wrong image',
    wrongImage: 'It fetched lending-desk-2.8.img; planned is reading-room-4.4.bin.',
    note: 'by the door',
  })
  expect(view?.rows[1]).toMatchObject({
    standing: 'waiting',
    wrongImage: null,
    warnings: ['Downgrade: the planned version 2.8 is older than 2.9.'],
    note: null,
  })
  expect(view?.strangers).toMatchObject([
    { client: '203.0.113.5 (00:00:5e:00:53:66)', image: SWITCH_44.name, latest: '2' },
  ])
})

it('stays the same object until the plan changes, so that the page is not sent it again', () => {
  const plan: { now: Plan | undefined } = { now: undefined }
  const view = createVisitView({ plan: () => plan.now, sheet: SHEET })
  expect(view()).toBeNull()
  plan.now = planOf(ROWS, [])
  const first = view()
  expect(view()).toBe(first)
  plan.now = planOf(ROWS, story().begin({ address: '192.0.2.10' }, SWITCH_44).entries)
  expect(view()?.rows[0]?.standing).toBe('pulling')
})

it('a wrong image under way was shown as one that is over; its pull is marked and planned is named', () => {
  const told = story().begin({ address: '192.0.2.10' }, SWITCH_44).begin({ address: '192.0.2.11' }, SWITCH_44)
  const view = createVisitView({ plan: () => planOf(ROWS, told.entries), sheet: SHEET })()
  expect(view?.wrongPulls).toEqual(['2'])
  expect(view?.wrongImages).toEqual([
    {
      key: 'wrong hall 2 running',
      underWay: true,
      text: 'hall (192.0.2.11) pulls reading-room-4.4.bin; planned is lending-desk-2.8.img. Stop it there before it writes.',
    },
  ])
})

it('of a wrong image nothing is said any more once the device has the right one', () => {
  const told = story().pull({ address: '192.0.2.10' }, RADIO)
  const wrong = createVisitView({ plan: () => planOf(ROWS, told.entries), sheet: SHEET })()
  expect(wrong?.wrongImages).toMatchObject([
    {
      underWay: false,
      text: 'desk fetched lending-desk-2.8.img; planned is reading-room-4.4.bin. Look at the device before it restarts.',
    },
  ])
  expect(wrong?.rows[0]?.warnings).toEqual([])
  told.pull({ address: '192.0.2.10' }, SWITCH_44)
  const right = createVisitView({ plan: () => planOf(ROWS, told.entries), sheet: SHEET })()
  expect(right?.wrongImages).toEqual([])
})

it('a device whose pull broke off was not marked in its row', () => {
  const told = story().pull({ address: '192.0.2.10' }, SWITCH_44, { handed: 10 })
  const view = createVisitView({ plan: () => planOf(ROWS, told.entries), sheet: SHEET })()
  expect(view?.rows[0]).toMatchObject({ standing: 'waiting: its pull broke off', mark: 'attention' })
})
