/** The board: whose row stands where, with which mark. */
import { expect, test } from 'vitest'
import { boardOf } from '../../server/bench/board.ts'
import { createVisitView } from '../../server/bench/visit-view.ts'
import type { LivePull } from '../../server/delivery/live-pulls.ts'
import { createPullRecords } from '../../server/delivery/pulls.ts'
import { planOf, RADIO, SWITCH_44, sheetRows, story } from '../visit/visit-story.ts'
import { OWN } from './running.ts'

const ROWS = sheetRows(
  'device,address,image',
  'desk,192.0.2.11,reading-room-4.4.bin',
  'hall,192.0.2.12,reading-room-4.4.bin',
  'attic,192.0.2.13,reading-room-4.4.bin',
  'lobby,192.0.2.14,reading-room-4.4.bin',
  'store,203.0.113.15,reading-room-4.4.bin',
)

function board(
  told: ReturnType<typeof story>,
  options: { sheet?: boolean; stalled?: readonly string[] } = {},
) {
  const book = createPullRecords()
  for (const entry of told.entries) book.apply(entry)
  const live = (pull: LivePull): LivePull => ({
    ...pull,
    movement: options.stalled?.includes(pull.client.address) === true ? 'stalled' : 'moving',
  })
  const pulls = book.pulls()
  const underWay = pulls
    .filter(({ state }) => state === 'running')
    .map((pull) => live({ ...pull, bytesNow: 1 }))
  const sheet = { file: 'visit.csv', sha256: '', rows: ROWS, columns: [], errors: [], warnings: [] }
  const visit =
    options.sheet === false ? null : createVisitView({ plan: () => planOf(ROWS, told.entries), sheet })()
  const over = pulls.filter(({ state }) => state !== 'running')
  return boardOf({ visit, underWay, over, own: OWN })
}

test('attention first, then what stands still, moves, waits and is done, then who is on no row', () => {
  const told = story()
    .pull({ address: '192.0.2.11' }, SWITCH_44)
    .pull({ address: '192.0.2.12' }, RADIO)
    .pull({ address: '203.0.113.9' }, RADIO)
    .begin({ address: '192.0.2.13' }, SWITCH_44)
    .begin({ address: '192.0.2.14' }, SWITCH_44)
  const { rows, tally, ended, sheet } = board(told, { stalled: ['192.0.2.14'] })
  expect(rows.map(({ device, mark }) => `${device} ${mark}`)).toEqual([
    'hall attention',
    'lobby stalled',
    'attic pulling',
    'store waiting',
    'desk pulled',
    '203.0.113.9 pulled',
  ])
  expect(rows.at(-1)).toMatchObject({ planned: false, standing: 'pulled; not on the sheet' })
  expect(tally).toBe(
    '1 of 5 done · 1 pulling · 1 stalled · 1 needs attention · 1 waiting · 1 client is not on the sheet',
  )
  expect([sheet, ended]).toEqual(['visit.csv', false])
})

test('each row has the own address in the subnet of its device, for its line', () => {
  const { rows } = board(story())
  expect(rows.map(({ device, own }) => [device, own])).toEqual([
    ['desk', '192.0.2.10'],
    ['hall', '192.0.2.10'],
    ['attic', '192.0.2.10'],
    ['lobby', '192.0.2.10'],
    ['store', null],
  ])
})

test('without a sheet the clients that came, each once, with what its latest pull came to', () => {
  const told = story()
    .pull({ address: '192.0.2.11' }, SWITCH_44, { handed: 10 })
    .pull({ address: '192.0.2.12' }, RADIO)
    .pull({ address: '192.0.2.11' }, SWITCH_44)
    .pull({ address: '192.0.2.13' }, RADIO, { handed: 10 })
  const { rows, tally, sheet } = board(told, { sheet: false })
  expect(rows.map(({ device, mark, image }) => [device, mark, image])).toEqual([
    ['192.0.2.13', 'attention', RADIO.name],
    ['192.0.2.11', 'pulled', SWITCH_44.name],
    ['192.0.2.12', 'pulled', RADIO.name],
  ])
  expect([tally, sheet]).toEqual(['3 came: 2 done · 1 needs attention', null])
})
