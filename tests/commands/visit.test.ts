/** The commands about a visit (report, observe, sheet, audit with names and plan) on ledgers that the program wrote. */
import { existsSync } from 'node:fs'
import { readFile, writeFile } from 'node:fs/promises'
import { join } from 'node:path'
import { beforeAll, describe, expect, onTestFinished, test } from 'vitest'
import type { EntryOf } from '../../server/ledger/entries.ts'
import type { VisitReport } from '../../server/report/visit-report.ts'
import { parseSheet } from '../../server/visit/sheet.ts'
import {
  imageBytes,
  ledgerEntries,
  type Served,
  serveHere,
  sha256,
  stagingFolder,
  type Until,
  untilAllDone,
} from '../clients/served.ts'
import { inProcess } from './in-process.ts'

const FILES = { 'desk-4.4.bin': imageBytes(40_000, 'desk'), 'radio-2.8.img': imageBytes(30_000, 'radio') }
const SHEET = 'device,address,image,version_before,version_target\ndesk,127.0.0.1,desk-4.4.bin,4.1,4.4\n'

async function served(
  sheet: string | undefined,
  flags: readonly string[] = [],
  cleanUp: Until = onTestFinished,
): Promise<Served> {
  const folder = await stagingFolder(FILES, cleanUp)
  if (sheet !== undefined) await writeFile(join(folder, 'visit.csv'), sheet)
  const serving = await serveHere(folder, { cleanUp, flags })
  await Promise.all(Object.keys(FILES).map((name) => serving.image(name)))
  return serving
}

/** Fetches as a device would; resolves with the status when the ledger has it all. */
async function fetchImage({ port }: Served, path: string): Promise<number> {
  const response = await fetch(`http://127.0.0.1:${port}${path}`)
  await response.arrayBuffer()
  return response.status
}

function observed(folder: string): EntryOf<'observed'>[] {
  return ledgerEntries(folder).filter((entry): entry is EntryOf<'observed'> => entry.kind === 'observed')
}

describe('on a visit that went well', () => {
  const whenAllDone = untilAllDone()
  let folder = ''

  beforeAll(async () => {
    const serving = await served(SHEET, [], whenAllDone)
    folder = serving.folder
    expect(await fetchImage(serving, '/desk-4.4.bin')).toBe(200)
    await serving.entry('fetch-ended', ({ ending }) => ending === 'delivered')
    await serving.stop()
  })

  test('report writes one HTML file and says what it found', async () => {
    const output = join(folder, 'record.html')
    const { status, stdout } = await inProcess(['report', folder, '--output', output, '--strict'])
    expect([status, stdout]).toEqual([0, `${output}: the visit is complete\n`])
    const page = await readFile(output, 'utf8')
    expect(page).toMatch(/^<!doctype html>/)
    expect(page).toContain(sha256(FILES['desk-4.4.bin']))
  })

  test('report prints the same as JSON and as CSV', async () => {
    const json = await inProcess(['report', folder, '--format', 'json'])
    const report = JSON.parse(json.stdout) as VisitReport
    expect(report.plan?.devices.map(({ device, standing }) => [device, standing])).toEqual([
      ['desk', 'pulled'],
    ])
    expect(report.folders[0]?.ledger).toMatchObject({ intact: true, entries: ledgerEntries(folder).length })
    const csv = await inProcess(['report', folder, '--format', 'csv'])
    expect(csv.stdout.split('\r\n')[1]).toMatch(/^desk,1,pulled,yes,127\.0\.0\.1,/)
  })

  test('audit names the device, finds its pulls by that name, and shows the plan', async () => {
    const pulls = await inProcess(['audit', folder, '--client', 'DESK', '--format', 'json'])
    const audit = JSON.parse(pulls.stdout) as { pulls: { client: { device: string } }[] }
    expect(audit.pulls.map(({ client }) => client.device)).toEqual(['desk'])
    const plan = await inProcess(['audit', folder, '--plan'])
    expect(plan.stdout).toMatch(/pulled +desk +desk-4\.4\.bin/)
    expect(plan.stdout).toContain('Nothing is open.')
  })

  test('report fails where it cannot write, and where there is no ledger', async () => {
    const unwritable = await inProcess(['report', folder, '--output', join(folder, 'missing', 'x.html')])
    expect([unwritable.status, unwritable.stderr]).toEqual([2, expect.stringContaining('ENOENT')])
    const none = await inProcess(['report', join(folder, '.fetchproof')])
    expect([none.status, none.stderr]).toEqual([2, expect.stringContaining('FP_LEDGER_MISSING')])
  })

  test('observe appends to the ledger of a folder that nobody serves', async () => {
    const { status, stdout } = await inProcess([
      'observe',
      'desk',
      '--folder',
      folder,
      '--after',
      '4.3',
      '--by',
      'A. N. Other',
    ])
    expect(status).toBe(0)
    expect(stdout).toBe(
      'Recorded for desk: version after 4.3 (observed by A. N. Other).\nThe planned version is 4.4.\n',
    )
    expect(observed(folder).at(-1)).toMatchObject({ device: 'desk', after: '4.3', by: 'A. N. Other' })
    expect(existsSync(join(folder, '.fetchproof', 'lock.json'))).toBe(false)
    const report = await inProcess(['report', folder, '--format', 'html'])
    expect(report.stdout).toContain('is not the planned one, 4.4')
  })

  test('observe picks the version out of what a device printed', async () => {
    const printed =
      'Desk switch\nBootstrap version 1.2\nSoftware, Version 4.4.1, built in house\nuptime 3 days\n'
    const { status } = await inProcess(
      ['observe', 'desk', '--folder', folder, '--before', '-', '--format', 'json'],
      printed,
    )
    expect(status).toBe(0)
    expect(observed(folder).at(-1)).toMatchObject({ before: '4.4.1' })
  })

  test('observe doubts a name that is not on the sheet, and records it all the same', async () => {
    const { stdout } = await inProcess([
      'observe',
      'dsk\u001b[2J',
      '--folder',
      folder,
      '--note',
      'x',
      '--by',
      'me',
    ])
    expect(stdout).toContain('dsk\\x1b[2J is not on the visit sheet')
    expect(observed(folder).at(-1)?.device).toBe('dsk\u001b[2J')
  })

  test.each([
    [['observe', 'desk'], 'Say what was observed'],
    [['observe', ' ', '--note', 'x'], 'Name the device'],
    [['observe', 'desk', '--before', '-', '--after', '-'], 'Only one of'],
    [['observe', 'desk', '--before', 'nothing to see here'], 'No version was found'],
  ])('%j is bad usage', async (args, why) => {
    const before = observed(folder).length
    const { status, stderr } = await inProcess([...args, '--folder', folder])
    expect([status, stderr]).toEqual([2, expect.stringContaining(why)])
    expect(observed(folder)).toHaveLength(before)
  })
})

test('observe begins no ledger in a folder that has none', async () => {
  const folder = await stagingFolder({}, onTestFinished)
  const { status, stderr } = await inProcess(['observe', 'desk', '--folder', folder, '--note', 'x'])
  expect([status, stderr]).toEqual([2, expect.stringContaining('FP_LEDGER_MISSING')])
  expect(existsSync(join(folder, '.fetchproof'))).toBe(false)
})

test('observe goes through the server of a folder that is being served', async () => {
  const serving = await served(SHEET)
  const { status } = await inProcess([
    'observe',
    'desk',
    '--folder',
    serving.folder,
    '--note',
    'fan is loud',
    '--by',
    'me',
  ])
  expect(status).toBe(0)
  expect(await serving.entry('observed')).toMatchObject({ device: 'desk', note: 'fan is loud', by: 'me' })
  const report = await inProcess(['report', serving.folder])
  expect(report.stdout).toContain('Visit in progress')
})

test('report --strict names what is open and fails', async () => {
  const serving = await served(`${SHEET}attic,127.0.0.9,radio-2.8.img,,\n`)
  await fetchImage(serving, '/radio-2.8.img')
  await serving.entry('fetch-ended')
  await serving.stop()
  const { status, stderr } = await inProcess(['report', serving.folder, '--strict', '--format', 'json'])
  expect(status).toBe(1)
  expect(stderr).toContain('desk: pulled an image that is not planned for it. Planned: desk-4.4.bin.')
  expect(stderr).toContain('attic: was not seen.')
})

test('the sheet is read live: each change stands in the ledger, and a bad one stops nothing', async () => {
  const serving = await served(SHEET)
  expect(await serving.entry('sheet')).toMatchObject({ rows: [{ device: 'desk' }], errors: [] })
  await writeFile(join(serving.folder, 'visit.csv'), 'device,mac\n"desk,not a mac\n')
  const second = await serving.entry('sheet', ({ errors }) => errors.length > 0)
  expect(second.sha256).not.toBe(sha256(Buffer.from(SHEET)))
  expect(await fetchImage(serving, '/desk-4.4.bin')).toBe(200)
  await writeFile(join(serving.folder, 'visit.csv'), `${SHEET}hall,,radio-2.8.img,,\n`)
  await serving.entry('sheet', ({ rows }) => rows.length === 2)
  await serving.stop()
  // The same sheet is not recorded again by the next run.
  const again = await serveHere(serving.folder, { cleanUp: onTestFinished })
  await again.entry('opened')
  await again.stop()
  expect(ledgerEntries(serving.folder).filter(({ kind }) => kind === 'sheet')).toHaveLength(3)
})

describe('--only-planned', () => {
  test('refuses an image that the sheet does not plan for the device, with the reason on record', async () => {
    const serving = await served(SHEET, ['--only-planned'])
    expect(await fetchImage(serving, '/desk-4.4.bin')).toBe(200)
    expect(await fetchImage(serving, '/radio-2.8.img')).toBe(403)
    const refused = await serving.entry('fetch-refused')
    expect(refused).toMatchObject({
      status: 403,
      reason: 'radio-2.8.img is not planned for desk: desk-4.4.bin is',
    })
    expect(refused.hint).toContain('visit.csv')
    await writeFile(join(serving.folder, 'visit.csv'), SHEET.replace('desk-4.4.bin', 'radio-2.8.img'))
    await serving.entry('sheet', ({ rows }) => rows[0]?.image === 'radio-2.8.img')
    expect(await fetchImage(serving, '/radio-2.8.img')).toBe(200)
  })

  test('refuses devices that are not on the sheet, and everybody without a sheet', async () => {
    const stranger = await served(SHEET.replace('127.0.0.1', '127.0.0.9'), ['--only-planned'])
    expect(await fetchImage(stranger, '/desk-4.4.bin')).toBe(403)
    expect((await stranger.entry('fetch-refused')).reason).toBe('it is not on the visit sheet')
    const without = await served(undefined, ['--only-planned'])
    expect(await fetchImage(without, '/desk-4.4.bin')).toBe(403)
    expect((await without.entry('fetch-refused')).reason).toBe('there is no visit sheet')
  })
})

describe('sheet', () => {
  test('--example prints a sheet that reads without a fault', async () => {
    const { status, stdout } = await inProcess(['sheet', '--example'])
    const { rows, problems } = parseSheet(Buffer.from(stdout))
    expect([status, problems, rows.length > 2]).toEqual([0, [], true])
  })

  test('shows the rows of a folder, and fails on a faulty one', async () => {
    const folder = await stagingFolder(
      { 'visit.csv': Buffer.from('device,mac\ndesk,nonsense\n') },
      onTestFinished,
    )
    const { status, stdout } = await inProcess(['sheet', folder])
    expect(status).toBe(1)
    expect(stdout).toMatch(/^Row +Standing +Device/)
    expect(stdout).toContain('row 2, column mac: "nonsense"')
    expect(stdout).toMatch(/There is no column image/)
    const none = await inProcess(['sheet', await stagingFolder({}, onTestFinished)])
    expect([none.status, none.stderr]).toEqual([2, expect.stringContaining('There is no visit.csv')])
  })
})

describe('sheet of a plan that cannot work was accepted', () => {
  async function checked(sheet: string, files: Record<string, Buffer> = FILES) {
    const folder = await stagingFolder({ ...files, 'visit.csv': Buffer.from(sheet) }, onTestFinished)
    const { status, stdout } = await inProcess(['sheet', folder, '--format', 'json'])
    return { status, ...(JSON.parse(stdout) as { errors: string[]; warnings: string[] }) }
  }

  test('one that works has nothing to say', async () => {
    expect(await checked(SHEET)).toMatchObject({ status: 0, errors: [], warnings: [] })
  })

  test.each([
    [
      'an image that is not there',
      'device,address,image\ndesk,192.0.2.1,desk-4.5.bin\n',
      /^row 2, column image: desk-4\.5\.bin is not in the folder.*nearest name is desk-4\.4\.bin/,
    ],
    [
      'a column misspelt',
      'device,Adress,image\ndesk,192.0.2.1,desk-4.4.bin\n',
      /^row 1, column Adress: Did you mean address/,
    ],
    [
      'no column that tells a device',
      'device,image\ndesk,desk-4.4.bin\n',
      /^row 2, column address: Nothing tells the pulls of desk.*Add a column/,
    ],
    ['no column of images', 'device,address\ndesk,192.0.2.1\n', /column image: There is no column image/],
  ])('%s', async (_what, sheet, error) => {
    const { status, errors } = await checked(sheet)
    expect([status, errors.some((text) => error.test(text))]).toEqual([1, true])
  })

  test('an image that is held', async () => {
    const files = { ...FILES, 'desk-4.4.bin.sha256': Buffer.from(`${'0'.repeat(64)}  desk-4.4.bin\n`) }
    const { status, errors } = await checked(SHEET, files)
    expect([status, errors.length]).toEqual([1, 1])
    expect(errors[0]).toMatch(
      /^row 2, column image: desk-4\.4\.bin is not on offer: it is held\. Its SHA-256/,
    )
  })

  test('two devices with one factory address are a warning, which says how to tell them apart', async () => {
    const same = (macs: readonly [string, string]) =>
      checked(
        `device,address,mac,image\ndesk,192.0.2.1,${macs[0]},desk-4.4.bin\nhall,192.0.2.1,${macs[1]},desk-4.4.bin\n`,
      )
    const alike = await same(['', ''])
    expect([alike.status, alike.errors]).toEqual([0, []])
    expect(alike.warnings[0]).toMatch(/cannot be told apart\. Fill mac for each of them/)
    expect(await same(['00:00:5e:00:53:01', '00:00:5e:00:53:02'])).toMatchObject({ status: 0, warnings: [] })
  })

  test('columns of the engineer’s own are no slips', async () => {
    const own = 'device,address,image,site,room,date,contact\ndesk,192.0.2.1,desk-4.4.bin,a,b,c,d\n'
    expect(await checked(own)).toMatchObject({ status: 0, errors: [] })
  })
})

test('a wrong image is shouted at once where serve speaks in words', async () => {
  const folder = await stagingFolder({ ...FILES, 'visit.csv': Buffer.from(SHEET) }, onTestFinished)
  const serving = await serveHere(folder, { cleanUp: onTestFinished, flags: ['--format', 'text'] })
  // In words there are no entries to wait for: the image is asked for until it is there.
  await expect.poll(() => fetchImage(serving, '/radio-2.8.img'), { timeout: 20_000 }).toBe(200)
  await serving.stop()
  expect(serving.otherLines.join('\n')).toContain(
    'WRONG IMAGE: desk (127.0.0.1) pulls radio-2.8.img; planned is desk-4.4.bin. Stop it there before it writes.',
  )
  expect(serving.otherLines.join('\n')).toMatch(/desk \(127\.0\.0\.1\) +radio-2\.8\.img/)
})

test('the sheet command says how long it takes at least, and what is not in the folder', async () => {
  const folder = await stagingFolder(FILES, onTestFinished)
  const sheet = `${SHEET}hall,192.0.2.12,not-here.bin,,\nattic,192.0.2.13,3fa94c21,,\n`
  await writeFile(join(folder, 'visit.csv'), sheet)
  const { stdout, status } = await inProcess(['sheet', folder])
  // What is planned and not there cannot work.
  expect(status).toBe(1)
  expect(stdout).toMatch(/3 devices still have to pull 40 kB: at best under 1 s over 100 Mb\/s/)
  expect(stdout).toContain('Not in the folder, and not counted: not-here.bin, 3fa94c21.')
})
