/** Lines to paste on the page: the chosen form by the first door, and as another door itself has them. */
import { expect, test } from 'vitest'
import { linesBy } from '../../server/bench/page/lines.ts'
import type { AddressView, BaseView, ShownImage } from '../../server/bench/snapshot-shape.ts'
import { TFTP_DOOR } from '../../server/tftp-port/door.ts'

const HTTP: BaseView = { url: 'http://192.0.2.10:8080', port: 8080, door: 'http', lines: ['{url}'] }
const TFTP: BaseView = {
  url: 'tftp://192.0.2.10:1069',
  port: 1069,
  door: 'tftp',
  lines: TFTP_DOOR.lines(1069),
}
const OWN = { address: '192.0.2.10', cidr: '192.0.2.10/24', urls: [HTTP, TFTP] } as unknown as AddressView
const IMAGE = {
  state: 'ready',
  plainPath: '/desk.bin',
  bytes: 9,
  sha256: null,
  md5: null,
} as unknown as ShownImage

test('the form that was chosen is for the first door; TFTP has its URL, and address and name apart', () => {
  const form = 'copy {url} flash:'
  const path = '/desk.bin'
  expect(linesBy(IMAGE, OWN, form, { path, base: HTTP })).toEqual([
    'copy http://192.0.2.10:8080/desk.bin flash:',
  ])
  expect(linesBy(IMAGE, OWN, form, { path, base: TFTP })).toEqual([
    'tftp://192.0.2.10:1069/desk.bin',
    'server 192.0.2.10, port 1069, file /desk.bin',
  ])
})
