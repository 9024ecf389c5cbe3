/**
 * A whole visit over a real network, with the built program: twelve planned devices and a stranger. What the report
 * says is compared, row for row, with the list that this script keeps of what it did.
 */
import { once } from 'node:events'
import { writeFile } from 'node:fs/promises'
import { join } from 'node:path'
import { expect, it, onTestFinished } from 'vitest'
import type { VisitReport } from '../../server/report/visit-report.ts'
import { fetchproof, PROGRAM, run } from '../clients/program.ts'
import { imageBytes, type Served, serveFolder, sha256, stagingFolder } from '../clients/served.ts'
import { needs } from '../needs.ts'
import { buildSite, type Site, type Station } from './site-network.ts'

const LAPTOP = '192.0.2.1'
const IMAGES = {
  'reading-room-4.1.bin': imageBytes(1_500_000, '4.1'),
  'reading-room-4.4.bin': imageBytes(2_000_000, '4.4'),
  'lending-desk-2.8.img': imageBytes(1_000_000, '2.8'),
  // So large that a device that leaves after three megabytes leaves most of it unsent, whatever systems hold in between.
  'tower-gateway-1.9.bin': imageBytes(24_000_000, '1.9'),
}
const SHEET = `device,address,mac,via,image,version_before,version_target
desk-1,192.0.2.11,00:00:5e:00:53:11,,reading-room-4.4.bin,4.1,4.4
desk-2,192.0.2.12,,,/reading-room-4.4.bin,,
hall-1,192.0.2.13,00:00:5e:00:53:13,,lending-desk-2.8.img,,
hall-2,192.0.2.14,00:00:5e:00:53:14,,tower-gateway-1.9.bin,,
attic,192.0.2.15,00:00:5e:00:53:15,,lending-desk-2.8.img,,
cellar,192.0.2.16,00:00:5e:00:53:16,,${sha256(IMAGES['lending-desk-2.8.img']).slice(0, 8)},,
loft-1,192.0.2.50,,,lending-desk-2.8.img,,
loft-2,192.0.2.50,,,lending-desk-2.8.img,,
stack-1,192.0.2.21,00:00:5e:00:53:21,,reading-room-4.4.bin,,
stack-2,,00:00:5e:00:53:22,stack-1,,,
stack-3,,00:00:5e:00:53:23,stack-1,reading-room-4.4.bin,,
tower,192.0.2.31,00:00:5e:00:53:31,,reading-room-4.1.bin,3.9,4.1
tower,,,,reading-room-4.4.bin,4.1,4.4
`

/** What this script did, as the report has to say it: standing, done, step, how told, addresses seen, warned of. */
const DONE = {
  'desk-1': ['pulled', true, 1, 'hardware address', ['192.0.2.11'], []],
  'desk-2': ['pulled', true, 1, 'address', ['192.0.2.12'], []],
  'hall-1': ['wrong image', false, 1, 'hardware address', ['192.0.2.13'], []],
  'hall-2': ['pulled', true, 1, 'hardware address', ['192.0.2.14', '192.0.2.94'], []],
  attic: ['not seen', false, 1, null, [], []],
  cellar: ['pulled', true, 1, 'hardware address', ['192.0.2.16'], []],
  'loft-1': ['unconfirmed', false, 1, 'shared address', ['192.0.2.50'], []],
  'loft-2': ['unconfirmed', false, 1, 'shared address', ['192.0.2.50'], []],
  'stack-1': ['pulled', true, 1, 'hardware address', ['192.0.2.21'], []],
  'stack-2': ['pulled', true, 1, null, [], []],
  'stack-3': ['pulled', true, 1, null, [], []],
  tower: ['pulled', true, 2, 'hardware address', ['192.0.2.31'], []],
}

it('says in the report, row for row, what happened on a visit of twelve devices', {
  timeout: 120_000,
  ...needs('network namespaces', 'curl'),
}, async () => {
  const site = await buildSite(onTestFinished)
  const laptop = await site.station(LAPTOP, 0x01)
  const folder = await stagingFolder(IMAGES, onTestFinished)
  await writeFile(join(folder, 'visit.csv'), SHEET)
  const visit = { engineer: 'A. N. Other', customer: 'Harrowick', changeReference: 'CHG-7' }
  await writeFile(join(folder, 'fetchproof.json'), JSON.stringify({ visit }))
  const served = await serveFolder(folder, {
    cleanUp: onTestFinished,
    listen: LAPTOP,
    under: laptop.under,
    // The namespace's addresses are documentation's, which are not among those that may fetch by default.
    flags: ['--allow', '192.0.2.0/24', '--watch-return', '--watch-return-every-ms', '200'],
  })
  await Promise.all(Object.keys(IMAGES).map((name) => served.image(name)))
  await visitEveryDevice(site, served, `http://${LAPTOP}:${served.port}`)
  const observed = await run('ip', [
    ...laptop.under.slice(1),
    process.execPath,
    PROGRAM,
    ...['observe', 'desk-1', '--folder', folder, '--before', '4.1', '--after', '4.4', '--by', 'A. N. Other'],
  ])
  expect([observed.status, observed.stderr]).toEqual([0, ''])
  await served.stop()

  const { status, stdout, stderr } = await fetchproof(['report', folder, '--format', 'json', '--strict'])
  const report = JSON.parse(stdout) as VisitReport
  expect(rowsOf(report)).toEqual(DONE)
  expect(report.plan?.counts).toEqual({
    pulled: 8,
    unconfirmed: 2,
    'wrong image': 1,
    'not seen': 1,
  })
  expect(
    report.plan?.strangers.map(({ addresses, mac, pulls }) => [
      addresses,
      mac,
      pulls.map((pull) => [pull.image.name, pull.state]),
    ]),
  ).toEqual([[['192.0.2.99'], '00:00:5e:00:53:99', [['reading-room-4.1.bin', 'complete']]]])
  expectDetails(report)
  expect(status).toBe(1)
  expect(
    stderr
      .trim()
      .split('\n')
      .map((line) => line.split(':')[0]),
  ).toEqual(['hall-1', 'attic', 'loft-1', 'loft-2'])
  const checked = await fetchproof([
    'audit',
    folder,
    '--check',
    '--head',
    report.folders[0]?.ledger.head ?? '',
  ])
  expect(checked.status).toBe(0)
})

async function visitEveryDevice(site: Site, served: Served, url: string): Promise<void> {
  const device = (last: number, mac: number): Promise<Station> => site.station(`192.0.2.${last}`, mac)
  const whole = async (station: Station, path: string): Promise<void> => {
    const { status, stderr } = await station.curl(`${url}${path}`)
    if (status !== 0) throw new Error(`${station.address()} ${path}: curl ${status} ${stderr}`)
  }
  await whole(await device(11, 0x11), '/reading-room-4.4.bin')
  await whole(await device(12, 0x12), '/reading-room-4.4.bin')
  await whole(await device(13, 0x13), '/reading-room-4.1.bin')
  await whole(await device(99, 0x99), '/reading-room-4.1.bin')
  await breakOffAndResume(await device(14, 0x14), served, `${url}/tower-gateway-1.9.bin`)
  await restart(await device(16, 0x16), served, (station) => whole(station, '/lending-desk-2.8.img'))
  await behindOneAddress(site, await device(50, 0x50), served.port)
  await whole(await device(21, 0x21), '/reading-room-4.4.bin')
  const tower = await device(31, 0x31)
  await whole(tower, '/reading-room-4.1.bin')
  await whole(tower, '/reading-room-4.4.bin')
  await served.entry('fetch-ended', ({ id }) => id === lastBegun(served))
}

function lastBegun(served: Served): number {
  return served.entries.findLast((entry) => entry.kind === 'fetch-begun')?.id ?? -1
}

/** Takes three megabytes and leaves, gets another address, and goes on from a byte that it surely holds. */
async function breakOffAndResume(station: Station, served: Served, url: string): Promise<void> {
  await run('ip', [
    ...station.under.slice(1),
    'sh',
    '-c',
    `curl --silent '${url}' | head -c 3000000 >/dev/null`,
  ])
  await served.entry('fetch-ended', ({ ending }) => ending === 'cut')
  await station.moveTo('192.0.2.94')
  const { status } = await station.curl('--range', '1000000-', url)
  if (status !== 0) throw new Error(`it did not resume: curl ${status}`)
}

/** Pulls, goes dark, and comes back, as the ledger has to see it. */
async function restart(
  station: Station,
  served: Served,
  pull: (station: Station) => Promise<void>,
): Promise<void> {
  const listener = await station.program(
    "require('net').createServer((s) => { console.log('asked'); s.on('error', () => {}); s.end() }).listen(22, () => console.log('listens'))",
  )
  // Dark only once it has been seen to answer, as a device that is still up after its pull would be.
  const asked = once(listener.stdout, 'data', { signal: AbortSignal.timeout(20_000) })
  await pull(station)
  await asked
  await station.link('down')
  await served.entry('device-dark', ({ address }) => address === station.address(), 30_000)
  await station.link('up')
  await served.entry('device-back', ({ address }) => address === station.address(), 30_000)
}

/** Two devices whose router passes their connections on under its own address. */
async function behindOneAddress(site: Site, router: Station, port: number): Promise<void> {
  await router.program(
    `require('net').createServer({ allowHalfOpen: true }, (inside) => { const out = require('net').connect({ host: '${LAPTOP}', port: ${port}, allowHalfOpen: true }); inside.pipe(out).pipe(inside) }).listen(8080, () => console.log('routes'))`,
  )
  for (const [number, last] of [
    [1, 51],
    [2, 52],
  ] as const) {
    const station = await site.station(`198.51.100.${100 + number}`, last)
    const inside = `198.51.100.${number}`
    await run('ip', ['-n', router.namespace, 'address', 'add', `${inside}/24`, 'dev', 'eth0'])
    const { status, stderr } = await station.curl(`http://${inside}:8080/lending-desk-2.8.img`)
    if (status !== 0) throw new Error(`behind the router: curl ${status} ${stderr}`)
  }
}

function rowsOf({ plan }: VisitReport): Record<string, unknown> {
  return Object.fromEntries(
    (plan?.devices ?? []).map((device) => {
      const { standing, done, step, identifiedBy, seenAt, warnings } = device
      return [device.device, [standing, done, step, identifiedBy, seenAt, warnings]]
    }),
  )
}

function expectDetails(report: VisitReport): void {
  const of = (name: string) => report.plan?.devices.find(({ device }) => device === name)
  expect(report.visit).toMatchObject({
    engineer: 'A. N. Other',
    customer: 'Harrowick',
    changeReference: 'CHG-7',
    site: null,
  })
  expect(of('desk-1')?.versions).toMatchObject({ before: '4.1', after: '4.4', target: '4.4', reached: true })
  expect(of('hall-2')?.steps[0]?.pull?.notes.join()).toContain('went on under another address: 192.0.2.94')
  expect(of('hall-2')?.steps[0]?.pull?.fetches).toHaveLength(2)
  expect(of('cellar')?.returned).toMatchObject({
    address: '192.0.2.16',
    darkAt: expect.any(String),
    backAt: expect.any(String),
  })
  expect(of('stack-2')?.remarks.join()).toContain('Pulled by stack-1')
  expect(of('tower')?.steps.map(({ standing, pull }) => [standing, pull?.image.name])).toEqual([
    ['pulled', 'reading-room-4.1.bin'],
    ['pulled', 'reading-room-4.4.bin'],
  ])
  expect(
    report.plan?.devices.filter(({ returned }) => returned !== null).map(({ device }) => device),
  ).toEqual(['cellar'])
}
