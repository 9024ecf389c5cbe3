/** `fetchproof match`: where the text comes from, exit statuses, and what --device records. */
import { createHash } from 'node:crypto'
import { writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { runningServer } from '../../server/commands/running-server.ts'
import type { EntryOf } from '../../server/ledger/entries.ts'
import type { VisitReport } from '../../server/report/visit-report.ts'
import type { DeviceMatched } from '../../server/visit/match-on-plan.ts'
import {
  imageBytes,
  ledgerEntries,
  type Served,
  serveFilesHere,
  serveHere,
  stagingFolder,
} from '../clients/served.ts'
import { inProcess } from './in-process.ts'

const DESK = imageBytes(300_000, 'desk')
const GATE = imageBytes(70_000, 'gate')
const hash = (algorithm: string, bytes: Buffer) => createHash(algorithm).update(bytes).digest('hex')
const STRANGER = hash('sha256', Buffer.from('another image'))

const cleanings: (() => Promise<void>)[] = []
const cleanUp = (clean: () => Promise<void>): void => void cleanings.push(clean)
afterAll(async () => {
  for (const clean of cleanings.reverse()) await clean()
})

async function matched(
  args: readonly string[],
): Promise<DeviceMatched & { status: number | null; recorded: number }> {
  const { status, stdout, stderr } = await inProcess(['match', '--format', 'json', ...args])
  if (stdout === '') throw new Error(stderr)
  return { status, ...(JSON.parse(stdout) as DeviceMatched & { recorded: number }) }
}

function observed(folder: string): EntryOf<'observed'>[] {
  return ledgerEntries(folder).filter((entry): entry is EntryOf<'observed'> => entry.kind === 'observed')
}

describe('on a folder that nobody serves', () => {
  let folder: string
  beforeAll(async () => {
    folder = await stagingFolder({ 'desk.bin': DESK, 'lobby/gate 1.img': GATE }, cleanUp)
  })

  it('finds digests of every kind and says of which image each is', async () => {
    const algorithms = ['md5', 'sha1', 'sha224', 'sha256', 'sha384', 'sha512']
    const text = algorithms.map((algorithm) => `${algorithm}: ${hash(algorithm, GATE)}`).join('\n')
    const { status, matched: all, findings } = await matched([text, '--folder', folder])
    expect(findings.map(({ outcome, algorithm, image }) => [outcome, algorithm, image])).toEqual(
      algorithms.map((algorithm) => ['match', algorithm, 'lobby/gate 1.img']),
    )
    expect([status, all]).toEqual([0, true])
  })

  it('reads standard input, UTF-16 with a byte order mark among it', async () => {
    const line = `MD5 (flash:desk.bin) = ${hash('md5', DESK).toUpperCase()}\r\n`
    for (const input of [line, Buffer.from(`\ufeff${line}`, 'utf16le')]) {
      const { status, stdout } = await inProcess(['match', '--folder', folder], input)
      expect(stdout).toContain('It is the MD5 of desk.bin.')
      expect(status).toBe(0)
    }
  })

  it('reads a file', async () => {
    const file = join(folder, 'console.log')
    writeFileSync(file, `verify flash:desk.bin\n${hash('sha512', DESK)}\n`)
    const { status, stdout } = await inProcess(['match', '--file', file, '--folder', folder])
    expect(stdout).toMatch(/^It matches\.\n\nMATCH {2}line 2: [0-9a-f]{128}\n/)
    expect(status).toBe(0)
  })

  it('ends with 1 when a digest matches nothing, is mistyped or cut short, or none is there', async () => {
    const right = hash('sha256', DESK)
    const cases = [
      [STRANGER, 'NO MATCH'],
      [`${right}\n\n${STRANGER}`, '1 of 2 digests match'],
      [right.replace(/^./, (digit) => (digit === '0' ? '1' : '0')), 'MISTYPED'],
      [right.slice(0, 20), 'CUT SHORT'],
      ['verified OK', 'holds no digest'],
      [' ', 'There is no text'],
    ] as const
    for (const [text, words] of cases) {
      const { status, stdout } = await inProcess(['match', text, '--folder', folder])
      expect([stdout.includes(words) ? words : stdout, status]).toEqual([words, 1])
    }
  })

  it('ends with 2 when it is asked in a way that cannot be', async () => {
    const file = join(folder, 'long.log')
    writeFileSync(file, 'x'.repeat(1024 * 1024))
    for (const [args, words] of [
      [['abc', '--file', file], 'not both'],
      [['--file', join(folder, 'absent.log')], 'cannot be read (ENOENT)'],
      [['--file', file], 'longer than'],
      [['abc', '--device', ' '], 'needs the name'],
    ] as const) {
      const { status, stderr, stdout } = await inProcess(['match', ...args, '--folder', folder])
      expect(stderr).toContain(words)
      expect([status, stdout]).toEqual([2, ''])
    }
    const gone = await inProcess(['match', STRANGER, '--folder', join(folder, 'absent')])
    expect([gone.status, gone.stderr.includes('FP_FOLDER_MISSING')]).toEqual([2, true])
  })

  it('writes nothing to the ledger, unless a device is named: then every whole digest, with its image', async () => {
    const own = await stagingFolder({ 'desk.bin': DESK }, cleanUp)
    const text = `${hash('sha1', DESK)}\n\n${STRANGER}\n\n${hash('sha512', DESK).slice(0, 50)}`
    await matched([text, '--folder', own])
    expect(ledgerEntries(own)).toEqual([])
    const { status, recorded } = await matched([
      text,
      '--folder',
      own,
      '--device',
      'desk-1',
      '--by',
      'M. Engineer',
    ])
    expect([status, recorded]).toEqual([1, 2])
    const desk = {
      name: 'desk.bin',
      plainPath: '/desk.bin',
      bytes: DESK.length,
      sha256: hash('sha256', DESK),
    }
    expect(ledgerEntries(own)).toHaveLength(2)
    expect(observed(own)).toMatchObject([
      {
        device: 'desk-1',
        by: 'M. Engineer',
        digest: { algorithm: 'sha1', value: hash('sha1', DESK), image: desk },
      },
      { device: 'desk-1', digest: { algorithm: 'sha256', value: STRANGER } },
    ])
    expect(observed(own)[1]?.digest).not.toHaveProperty('image')
    const { stdout, status: intact } = await inProcess(['audit', own, '--check'])
    expect([stdout.includes('intact'), intact]).toEqual([true, 0])
  })
})

describe('on a folder that is being served', () => {
  let served: Served
  beforeAll(async () => {
    served = await serveFilesHere({ 'desk.bin': DESK, 'empty.bin': Buffer.alloc(0) }, { cleanUp })
  })

  it('asks the server, and takes no lock', async () => {
    const result = await matched([`md5: ${hash('md5', DESK)}`, '--folder', served.folder])
    expect(result).toMatchObject({ status: 0, findings: [{ image: 'desk.bin', algorithm: 'md5' }] })
    expect(observed(served.folder)).toEqual([])
  })

  it('says first what it comes to, then each digest with its digits', async () => {
    const text = `md5 ${hash('md5', DESK)}\n\nsha256 ${STRANGER}`
    const { stdout, status } = await inProcess(['match', text, '--folder', served.folder])
    const [verdict, blank, first, , second] = stdout.split('\n')
    expect([verdict, blank]).toEqual(['1 of 2 digests match.', ''])
    expect([first, second]).toEqual([`MATCH  line 1: ${hash('md5', DESK)}`, `NO MATCH  line 3: ${STRANGER}`])
    expect(status).toBe(1)
  })

  it('says of a held image that it is held', async () => {
    const { stdout } = await inProcess(['match', hash('sha256', Buffer.alloc(0)), '--folder', served.folder])
    expect(stdout).toContain('empty.bin is held')
  })

  it('of nothing but blanks says the same as without a server', async () => {
    expect(await matched([' ', '--folder', served.folder])).toMatchObject({ status: 1, findings: [] })
  })

  it('records through the server with --device', async () => {
    const text = `Verified: ${hash('sha512', DESK)}`
    const { status } = await matched([
      text,
      '--folder',
      served.folder,
      '--device',
      'desk-1',
      '--by',
      'M. Engineer',
    ])
    expect(status).toBe(0)
    const entry = await served.entry('observed')
    expect(entry).toMatchObject({
      device: 'desk-1',
      by: 'M. Engineer',
      digest: {
        algorithm: 'sha512',
        value: hash('sha512', DESK),
        image: { name: 'desk.bin', bytes: DESK.length },
      },
    })
  })
})

const SHEET = [
  'device,address,image,rollback',
  'desk-1,192.0.2.21,desk.bin,desk-old.bin',
  'gate-1,192.0.2.22,gate.img,',
  'spare,192.0.2.23,,',
  'stack-1,192.0.2.24,gate.img,',
  'stack-1,,desk.bin,',
].join('\n')
const PLANNED = {
  'desk.bin': DESK,
  // The same bytes under another name are the same image.
  'copies/desk.bin': DESK,
  'gate.img': GATE,
  'desk-old.bin': imageBytes(4_000, 'desk, old'),
  'empty.img': Buffer.alloc(0),
  'visit.csv': Buffer.from(`${SHEET}\nreel-1,192.0.2.25,empty.img,\n`),
}
const sha256 = (bytes: Buffer) => hash('sha256', bytes)

/** Device, what it printed, exit status, what is said first. */
const ON_PLAN = [
  ['desk-1', sha256(DESK), 0, 'It matches. desk.bin is what is planned for desk-1.'],
  ['192.0.2.21', sha256(DESK), 0, 'It matches. desk.bin is what is planned for desk-1.'],
  [
    'DESK-1',
    sha256(GATE),
    1,
    'It does not match the plan: this is gate.img; planned for desk-1 is desk.bin.',
  ],
  [
    'desk-1',
    sha256(PLANNED['desk-old.bin']),
    1,
    'It does not match the plan: this is desk-old.bin, the rollback image; planned for desk-1 is desk.bin.',
  ],
  ['desk-1', STRANGER, 1, 'It does not match. Planned for desk-1 is desk.bin.'],
  ['spare', sha256(GATE), 0, 'It matches. Nothing is planned for spare.'],
  ['stack-1', sha256(GATE), 0, 'It matches. It is step 1 of 2 that are planned for stack-1.'],
  [
    'reel-1',
    sha256(Buffer.alloc(0)),
    1,
    'It does not match the plan: this is empty.img, which is held; planned for reel-1 is empty.img.',
  ],
  [
    'desk-9',
    sha256(DESK),
    0,
    'It matches. desk-9 is not on the visit sheet, so that nothing says what is planned for it: check the name.',
  ],
] as const

/** Nothing is planned for one; the other is not on the sheet. */
const CONFIRMED_UNLESS: Readonly<Record<string, string>> = { spare: 'nothing planned', 'desk-9': 'none' }

async function servePlanned(): Promise<Served> {
  const served = await serveHere(await stagingFolder(PLANNED, cleanUp), { cleanUp })
  await Promise.all(Object.keys(PLANNED).map((name) => name === 'visit.csv' || served.image(name)))
  await served.entry('sheet')
  return served
}

describe('with --device, where a visit sheet plans what the device is to hold', () => {
  it('a digest of another image is exit 1, on a folder that is served and on one that is not', async () => {
    const folder = await stagingFolder(PLANNED, cleanUp)
    const served = await servePlanned()
    for (const place of [folder, served.folder]) {
      for (const [device, text, status, verdict] of ON_PLAN) {
        const told = await inProcess(['match', text, '--folder', place, '--device', device])
        expect([device, told.stdout.split('\n')[0], told.status]).toEqual([device, verdict, status])
      }
    }
    // Many runs, each of which reads the folder anew.
  }, 120_000)

  it('is the verdict that the API gives for the same device, and the standing that follows from it', async () => {
    const served = await servePlanned()
    const server = await runningServer(join(served.folder, '.fetchproof'))
    for (const [device, text, status, verdict] of ON_PLAN) {
      const {
        status: _status,
        recorded,
        ...told
      } = await matched([text, '--folder', served.folder, '--device', device])
      expect(await server?.ask('POST', '/api/match', { text, device })).toEqual(told)
      expect(told).toMatchObject({ matched: status === 0, words: verdict })
      const { stdout } = await inProcess(['report', served.folder, '--format', 'json'])
      const { plan } = JSON.parse(stdout) as VisitReport
      const standing = plan?.devices.find((row) => row.device === told.device.name)?.steps[0]?.standing
      const expected = status === 0 ? (CONFIRMED_UNLESS[device] ?? 'confirmed') : 'contradicted'
      expect([device, standing ?? 'none']).toEqual([device, expected])
    }
  })

  it('a version that was replaced under the planned name is exit 1, and so is nothing else of that name', async () => {
    const served = await servePlanned()
    const before = sha256(GATE)
    const newer = imageBytes(70_000, 'gate, newer')
    writeFileSync(join(served.folder, 'gate.img'), newer)
    await served.image('gate.img', sha256(newer))
    const args = ['--folder', served.folder, '--device', 'gate-1']
    const old = await matched([before, ...args])
    expect(old).toMatchObject({ status: 1, matched: false, findings: [{ outcome: 'none' }] })
    expect(old.words).toBe(
      'It does not match the plan: this is an earlier version of gate.img than the one on offer; planned for gate-1 is gate.img.',
    )
    expect(await matched([sha256(newer), ...args])).toMatchObject({ status: 0, matched: true })
  })

  it('says when there is no sheet', async () => {
    const folder = await stagingFolder({ 'desk.bin': DESK }, cleanUp)
    const { words } = await matched([sha256(DESK), '--folder', folder, '--device', 'desk-1'])
    expect(words).toBe('It matches. There is no visit sheet that says what is planned for desk-1.')
  })
})
