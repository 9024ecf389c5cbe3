import { expect, test } from 'vitest'
import { createPullRecords } from '../../server/delivery/pulls.ts'
import { parseSheet } from '../../server/visit/sheet.ts'
import { sheetOfPulls } from '../../server/visit/written-sheets.ts'
import { image, RADIO, SWITCH_41, SWITCH_44, story } from './visit-story.ts'

function saved(told: ReturnType<typeof story>) {
  const book = createPullRecords()
  for (const entry of told.entries) book.apply(entry)
  return parseSheet(Buffer.from(sheetOfPulls(book.pulls())))
}

test('a row a client and image in the order they came, however often it was pulled; the sheet reads it back', () => {
  const told = story()
    .pull({ address: '192.0.2.10', mac: '00:00:5e:00:53:01' }, SWITCH_41)
    .pull({ address: '192.0.2.11' }, RADIO, { handed: 10 })
    .pull({ address: '192.0.2.11' }, RADIO)
    .pull({ address: '192.0.2.10', mac: '00:00:5e:00:53:01' }, SWITCH_44)
  const { rows, problems } = saved(told)
  expect(problems).toEqual([])
  expect(rows).toMatchObject([
    { device: '192.0.2.10', step: 1, address: '192.0.2.10', mac: '00:00:5e:00:53:01', image: SWITCH_41.name },
    { device: '192.0.2.11', step: 1, address: '192.0.2.11', mac: null, image: RADIO.name },
    { device: '192.0.2.10', step: 2, image: SWITCH_44.name },
  ])
})

test('a name that a spreadsheet would calculate is text in it', () => {
  const told = story().pull({ address: '192.0.2.10' }, image('=1+1,"x".bin', '9'))
  const book = createPullRecords()
  for (const entry of told.entries) book.apply(entry)
  expect(sheetOfPulls(book.pulls())).toContain(`"'=1+1,""x"".bin"`)
  expect(saved(told).rows).toMatchObject([{ image: '=1+1,"x".bin' }])
})
