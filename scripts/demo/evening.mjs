// What happens tonight, device by device. Each gets to its end.
import { existsSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import { setTimeout as wait } from 'node:timers/promises'
import { pull } from './devices.mjs'
import { CAMERA, DEVICES, digestOf, PHONE, RADIO, replaceCamera, SWITCH } from './staging.mjs'

const MEGABYTE = 1_000_000
const SWITCH_PATH = '/Alderwick-AW-24-branch-switch-5.1.2.bin'
const RADIO_PATH = '/quillon-ap-reading-room-2.7.img'
const PHONE_PATH = '/phones/Tamsin-desk-phone-11.0.4.bin'
const CAMERA_PATH = '/camera-firmware.bin'

/** `run(stdio, ...args)` runs another command of the program. */
export async function evening({ folder, port, run }) {
  for (const name of [SWITCH, RADIO, PHONE]) await onOffer(folder, name)
  // As an engineer does who reads the lines before the first device begins.
  await wait(3_000)
  const from = (device, path, megabytesASecond, more = {}) => ({
    port,
    path,
    from: DEVICES.find((each) => each.device === device).address,
    agent: 'branch-device/1.0',
    bytesPerSecond: megabytesASecond * MEGABYTE,
    ...more,
  })
  await Promise.all([
    pull(from('hollow-lane-sw1', SWITCH_PATH, 5)).then(() => printsItsDigest(folder, run)),
    pull(from('hollow-lane-sw2', SWITCH_PATH, 6, { pauseAt: 6 * MEGABYTE, pauseMs: 15_000 })),
    breaksOffAndResumes(from('hollow-lane-sw3', SWITCH_PATH, 4)),
    pull(from('reading-room-ap', RADIO_PATH, 3)),
    wait(9_000).then(() => pull(from('cellar-ap', RADIO_PATH, 2))),
    pullsTheWrongOne(from('desk-phone', RADIO_PATH, 4), from('desk-phone', PHONE_PATH, 1)),
    pull(from('office-phone', PHONE_PATH, 0.5)),
    isRefusedAtFirst(from('door-camera', CAMERA_PATH, 1), folder),
  ])
  await wait(2_000)
}

async function printsItsDigest(folder, run) {
  await wait(3_000)
  const printed = `sha256 of flash:/image: ${digestOf(folder, SWITCH)}`
  await run(
    'ignore',
    'match',
    printed,
    '--device',
    'hollow-lane-sw1',
    '--by',
    'A. Engineer',
    '--folder',
    folder,
  )
}

async function breaksOffAndResumes(device) {
  const held = await pull({ ...device, resetAt: 18 * MEGABYTE })
  await wait(2_500)
  await pull({ ...device, range: held })
}

async function pullsTheWrongOne(wrong, own) {
  await pull(wrong)
  await wait(8_000)
  await pull(own)
}

async function isRefusedAtFirst(camera, folder) {
  await wait(4_000)
  await pull(camera)
  await wait(9_000)
  replaceCamera(folder)
  await onOffer(folder, CAMERA)
  await pull(camera)
}

/** When it stands in the ledger as it lies in the folder. */
async function onOffer(folder, name) {
  const sha256 = digestOf(folder, name)
  const deadline = performance.now() + 60_000
  while (performance.now() < deadline) {
    const lines = ledgerOf(folder).split('\n').filter(Boolean)
    const entries = lines.flatMap((line) => (line.endsWith('}') ? [JSON.parse(line)] : []))
    if (entries.some((entry) => entry.kind === 'image' && entry.name === name && entry.sha256 === sha256))
      return
    await wait(300)
  }
  throw new Error(`${name} was not ready within a minute.`)
}

function ledgerOf(folder) {
  const file = join(folder, '.fetchproof', 'ledger.ndjson')
  return existsSync(file) ? readFileSync(file, 'utf8') : ''
}
