/** A visit with all that a record can hold, told in entries: many devices, long values, faults, strangers. */
import { type Client, image, onOffer, type Story, story } from '../visit/visit-story.ts'

const CORE = image('core-switch-lending-hall-4.4.2-long-term-support-build-20261104.bin', '4', 48_234_496)
const STEP = image('core-switch-lending-hall-4.1.9-intermediate.bin', '1', 41_943_040)
const RADIO = image('reading-room-radio-2.8.img', '8', 9_437_184)
const OLD_RADIO = image('reading-room-radio-2.6.img', '6', 9_306_112)
const UNUSED = image('desk-phone-7.0.bin', '7', 5_242_880)

/** Names on the sheet: some are as long as inventory systems make them. */
export const DEVICES: readonly string[] = Array.from({ length: 30 }, (_unused, at) =>
  at % 6 === 5
    ? `brindle-vale-county-libraries-hollow-lane-branch-floor-${at}-cabinet-north-east-switch`
    : `hollow-lane-${String(at + 1).padStart(2, '0')}`,
)

function clientOf(at: number): Client {
  return { address: `192.0.2.${at + 10}`, mac: `00:00:5e:00:53:${(at + 16).toString(16)}` }
}

function row(device: string, at: number): Record<string, string>[] {
  const common = {
    device,
    address: `192.0.2.${at + 10}`,
    mac: clientOf(at).mac ?? '',
    model: at % 2 === 0 ? 'invented switch, 48 ports' : 'invented radio',
    serial: `BV${String(2_026_000 + at)}`,
    version_before: at % 2 === 0 ? '4.0.1' : '2.6',
    room: at % 6 === 5 ? 'basement, behind the returns desk, key with the caretaker' : `room ${at + 1}`,
  }
  if (at % 2 === 1) return [{ ...common, image: RADIO.name, version_target: '2.8', rollback: OLD_RADIO.name }]
  const last = { ...common, image: CORE.name, version_target: '4.4.2' }
  return at % 8 === 0 ? [{ ...common, image: STEP.name, version_target: '4.1.9' }, last] : [last]
}

export function richVisit(): Story {
  const told = story()
    .add({
      kind: 'opened',
      version: '0.1.0',
      host: 'branch-laptop',
      system: 'Linux',
      zoneOffsetMinutes: 60,
      addresses: [{ address: '192.0.2.1', interface: 'eth0' }],
      settings: {},
      visit: {
        engineer: 'A. Engineer',
        customer: 'Brindle Vale County Libraries, Department of Buildings and Networks',
        site: 'Hollow Lane branch with the mobile library depot and the annexe in Mill Street',
        changeReference: 'CHG-0042/2026/BRINDLE-VALE/HOLLOW-LANE/NIGHT-WINDOW-2',
        approver: 'B. Approver',
      },
    })
    .add(onOffer(CORE, { standing: 'matches', algorithm: 'SHA-256', source: 'SHA256SUMS, line 3' }))
    .add(onOffer(STEP, { standing: 'matches', algorithm: 'MD5', source: 'pasted by A. Engineer' }))
    .add(onOffer(RADIO, { standing: 'none' }, ['the name was changed by a browser: it ends in " (1)"']))
    .add(onOffer(OLD_RADIO))
    .add(onOffer(UNUSED))
    .add({
      kind: 'held',
      name: OLD_RADIO.name,
      sha256: OLD_RADIO.sha256,
      reason: 'damaged: the header does not fit',
    })
    .add({
      kind: 'lifted',
      name: OLD_RADIO.name,
      sha256: OLD_RADIO.sha256,
      reason: 'the maker confirmed by telephone that this release is so',
      by: 'A. Engineer',
    })
    .add({
      kind: 'sheet',
      file: 'visit.csv',
      sha256: 'cd'.repeat(32),
      rows: DEVICES.flatMap(row),
      errors: ['Row 40, column mac: "00:00" is no hardware address.'],
    })
    .add({ kind: 'rehearsed', base: 'http://192.0.2.1:8080', by: 'A. Engineer', checks: 25, differences: [] })
  for (const [at, device] of DEVICES.entries()) happens(told, device, at)
  const stranger = { address: '2001:db8:0:42:200:5eff:fe00:5399', mac: '00:00:5e:00:53:99' }
  told
    .pull(stranger, RADIO)
    .refuse(stranger, CORE, 'not allowed: the address is outside --allow 192.0.2.0/24')
  for (let port = 0; port < 12; port += 1) {
    told.refuse(
      { address: `198.51.100.${port}` },
      UNUSED,
      'not planned for this device (visit.csv, --only-planned)',
    )
  }
  return told.add({ kind: 'recovered', tornBytes: 12, lostTrack: [] })
}

/** What became of one device. */
function happens(told: Story, device: string, at: number): void {
  const from = clientOf(at)
  if (at % 2 === 1) {
    if (at === 29) return
    if (at === 11) told.pull(from, RADIO, { handed: 4_000_000 })
    if (at === 13) told.pull(from, OLD_RADIO)
    told.pull(from, at === 7 ? OLD_RADIO : RADIO, { lasts: 9_000 + at * 700 })
  } else {
    if (at % 8 === 0) told.pull(from, STEP, { lasts: 21_000 })
    told.pull(from, CORE, { lasts: 30_000 + at * 500, ending: at === 10 ? 'unconfirmed' : 'delivered' })
  }
  if (at % 3 === 0) {
    const digest = { algorithm: 'sha256', value: CORE.sha256, image: CORE }
    told.add({
      kind: 'observed',
      device,
      by: 'A. Engineer',
      before: at % 2 === 0 ? '4.0.1' : '2.6',
      after: at % 2 === 0 ? '4.4.2' : '2.8',
      ...(at === 6 && {
        note: 'Fan runs loudly since the restart; the caretaker has been told and will call. '.repeat(4),
      }),
      ...(at % 4 === 0 && { digest }),
    })
  }
  if (at % 5 === 0) {
    told.add({ kind: 'device-dark', device, address: from.address })
    if (at !== 15) told.add({ kind: 'device-back', device, address: from.address, darkMs: 95_000 })
  }
}
