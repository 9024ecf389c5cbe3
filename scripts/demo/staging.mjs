// The staging folder of the demo: invented images with the checksums that their makers would publish, a visit sheet,
// and one file that is no image.
import { createHash } from 'node:crypto'
import { mkdirSync, readFileSync, renameSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { gzipSync } from 'node:zlib'

const MEGABYTE = 1_000_000
export const SWITCH = 'Alderwick AW-24 branch switch 5.1.2.bin'
export const OLD_SWITCH = 'Alderwick AW-24 branch switch 4.9.0.bin'
export const RADIO = 'quillon-ap-reading-room-2.7.img'
export const PHONE = 'phones/Tamsin desk phone 11.0.4.bin'
export const CAMERA = 'camera-firmware.bin'

/** Invented devices, each at a loopback address of its own. */
export const DEVICES = [
  { device: 'hollow-lane-sw1', address: '127.0.0.21', image: SWITCH, before: '4.9.0', target: '5.1.2' },
  { device: 'hollow-lane-sw2', address: '127.0.0.22', image: SWITCH, before: '4.9.0', target: '5.1.2' },
  { device: 'hollow-lane-sw3', address: '127.0.0.23', image: SWITCH, before: '4.9.0', target: '5.1.2' },
  { device: 'reading-room-ap', address: '127.0.0.31', image: RADIO, before: '2.6', target: '2.7' },
  { device: 'cellar-ap', address: '127.0.0.32', image: RADIO, before: '2.6', target: '2.7' },
  { device: 'desk-phone', address: '127.0.0.41', image: PHONE, before: '10.8.1', target: '11.0.4' },
  { device: 'office-phone', address: '127.0.0.42', image: PHONE, before: '10.8.1', target: '11.0.4' },
  { device: 'door-camera', address: '127.0.0.51', image: CAMERA, before: '1.3', target: '1.4' },
]

export function stage(folder) {
  writeImage(folder, SWITCH, 48 * MEGABYTE)
  writeImage(folder, OLD_SWITCH, 30 * MEGABYTE)
  writeImage(folder, RADIO, 24 * MEGABYTE)
  writeImage(folder, PHONE, 6 * MEGABYTE)
  writeFileSync(
    join(folder, CAMERA),
    '<!doctype html>\n<title>Please log in</title>\n<form>Session expired</form>\n',
  )
  const rows = DEVICES.map(({ device, address, image, before, target }) =>
    [device, address, image, before, target, image === SWITCH ? OLD_SWITCH : ''].join(','),
  )
  const head = 'device,address,image,version_before,version_target,rollback'
  writeFileSync(join(folder, 'visit.csv'), `${[head, ...rows].join('\n')}\n`)
  const visit = {
    engineer: 'A. Engineer',
    customer: 'Brindle Vale County Libraries',
    site: 'Hollow Lane branch',
    changeReference: 'CHG-0042',
  }
  writeFileSync(join(folder, 'fetchproof.json'), JSON.stringify({ visit }, null, 2))
}

/** What the maker really published, in place of the saved page. */
export function replaceCamera(folder) {
  writeImage(folder, CAMERA, 4 * MEGABYTE)
}

export function digestOf(folder, name) {
  return createHash('sha256')
    .update(readFileSync(join(folder, name)))
    .digest('hex')
}

/** A sound gzip of invented bytes, with its published checksum beside it. */
function writeImage(folder, name, bytes) {
  const file = join(folder, name)
  mkdirSync(join(file, '..'), { recursive: true })
  const body = Buffer.alloc(bytes)
  let seed = createHash('sha256').update(name).digest()
  for (let at = 0; at < bytes; at += seed.length) {
    if (at % MEGABYTE < seed.length) seed = createHash('sha256').update(seed).digest()
    seed.copy(body, at)
  }
  const image = gzipSync(body, { level: 0 })
  writeFileSync(
    `${file}.sha256`,
    `${createHash('sha256').update(image).digest('hex')}  ${name.split('/').at(-1)}\n`,
  )
  writeFileSync(`${file}.part`, image)
  renameSync(`${file}.part`, file)
}
