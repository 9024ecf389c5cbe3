/** The visit while it goes on: what is shouted, refused, named and recorded. */
import { mkdir, mkdtemp, rm, writeFile } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { expect, it, onTestFinished } from 'vitest'
import { createDerived, type Derived } from '../../server/depot/derived.ts'
import type { Entry, NewEntry } from '../../server/ledger/entries.ts'
import { createLiveVisit, type LiveVisit } from '../../server/visit/live-visit.ts'
import type { Probe } from '../../server/visit/return-watch.ts'
import { IMAGES, RADIO, type Story, SWITCH_41, SWITCH_44, story } from './visit-story.ts'

const MAC = '00:00:5e:00:53:0a'
const DESK = { address: '192.0.2.10', mac: MAC }
const SHEET = `device,address,mac,via,image,rollback
desk,192.0.2.10,${MAC},,reading-room-4.4.bin,reading-room-4.1.bin
lamp,,,desk,lending-desk-2.8.img,
`

interface Told {
  readonly desk: LiveVisit
  readonly folder: string
  readonly said: string[]
  /** Those whose sentence is still so. */
  standing(): string[]
  readonly recorded: NewEntry[]
  readonly asked: string[]
  tell(told: Story): void
}

async function visitOver(
  sheet: string | undefined,
  options: { onlyPlanned?: boolean; probes?: Probe[]; full?: { now: boolean }; derived?: Derived } = {},
): Promise<Told> {
  const folder = await mkdtemp(join(tmpdir(), 'fetchproof-desk-'))
  onTestFinished(() => rm(folder, { recursive: true, force: true }))
  if (sheet !== undefined) await writeFile(join(folder, 'visit.csv'), sheet)
  const said: string[] = []
  const standings: { message: string; stands: () => boolean }[] = []
  const recorded: NewEntry[] = []
  const asked: string[] = []
  const { derived = createDerived(() => null) } = options
  const { pulls, evidence, ahead } = derived
  const desk = createLiveVisit({
    folder,
    onlyPlanned: options.onlyPlanned ?? false,
    ...(options.probes !== undefined && {
      watchReturn: {
        port: 22,
        everyMs: 5,
        notBackMs: 60_000,
        probe: async (address) => {
          asked.push(address)
          return options.probes?.shift() ?? 'open'
        },
      },
    }),
    pulls,
    fetches: () => [],
    evidence,
    sheetOnRecord: ahead.sheetOnRecord,
    linkMbps: undefined,
    now: Date.now,
    images: () => IMAGES,
    isOwn: (address) => address === '192.0.2.1',
    record(entry) {
      if (options.full?.now === true) return false
      recorded.push(entry)
      ahead.apply(entry as Entry)
      return true
    },
    say(message, stands = () => true) {
      said.push(message)
      standings.push({ message, stands })
    },
    changed: () => undefined,
  })
  onTestFinished(() => desk.close())
  await desk.start()
  const tell = ({ entries }: Story): void => {
    for (const entry of entries.splice(0)) {
      derived.apply(entry)
      desk.apply(entry)
    }
  }
  const standing = (): string[] => standings.flatMap(({ message, stands }) => (stands() ? [message] : []))
  return { desk, folder, said, standing, recorded, asked, tell }
}

it('warns of a wrong image when it begins, once, and not at what is planned or the rollback image', async () => {
  const { said, tell } = await visitOver(SHEET)
  const told = story().pull(DESK, SWITCH_44).pull(DESK, SWITCH_41).pull(DESK, RADIO)
  tell(told)
  expect(said).toEqual([])
  const other = { ...RADIO, name: 'other.bin', plainPath: '/other.bin', sha256: '9'.repeat(64) }
  tell(told.begin(DESK, other))
  tell(told.begin(DESK, other))
  expect(said).toEqual([
    expect.stringMatching(/^WRONG IMAGE: desk \(192\.0\.2\.10\) pulls other\.bin; planned is/),
  ])
})

it('is silent about rehearsals and strangers', async () => {
  const { said, tell } = await visitOver(SHEET)
  const other = { ...RADIO, name: 'other.bin', plainPath: '/other.bin', sha256: '9'.repeat(64) }
  tell(story().pull(DESK, other, { rehearsal: true }).pull({ address: '203.0.113.5' }, other))
  expect(said).toEqual([])
})

it('names a device by its hardware address even where it has another address', async () => {
  const { desk } = await visitOver(SHEET)
  expect(desk.nameOf({ address: '192.0.2.77', mac: MAC })).toBe('desk')
  expect(desk.nameOf({ address: '192.0.2.77', mac: null })).toBeNull()
})

it('refuses with --only-planned what the sheet does not plan, and says what it does', async () => {
  const { desk } = await visitOver(SHEET, { onlyPlanned: true })
  for (const image of [SWITCH_44, SWITCH_41, RADIO]) expect(desk.refusal(DESK, image)).toBeUndefined()
  const other = { ...RADIO, name: 'other.bin', plainPath: '/other.bin', sha256: '9'.repeat(64) }
  expect(desk.refusal(DESK, other)?.why).toContain(
    'other.bin is not planned for desk: reading-room-4.4.bin, then',
  )
  expect(desk.refusal({ address: '192.0.2.10', mac: '00:00:5e:00:53:66' }, SWITCH_44)?.why).toContain(
    'its hardware address is not',
  )
  const open = await visitOver(SHEET)
  expect(open.desk.refusal(DESK, other)).toBeUndefined()
})

it('records the sheet once, and again when the ledger did not take it', async () => {
  const full = { now: true }
  const { recorded, tell } = await visitOver(SHEET, { full })
  expect(recorded).toEqual([])
  full.now = false
  tell(story().begin(DESK, SWITCH_44))
  tell(story().begin(DESK, SWITCH_44))
  expect(recorded.map(({ kind }) => kind)).toEqual(['sheet'])
})

it('records that the sheet has gone since the last run', async () => {
  const derived = createDerived(() => null)
  const { desk, recorded } = await visitOver(undefined, { derived })
  expect(recorded).toEqual([])
  const sheet: NewEntry = { kind: 'sheet', file: 'visit.csv', sha256: 'a'.repeat(64), rows: [], errors: [] }
  for (const entry of story().add(sheet).entries) derived.ahead.apply(entry)
  await desk.start()
  expect(recorded).toEqual([expect.objectContaining({ kind: 'sheet', rows: [] })])
})

it('watches only who has pulled whole, and records dark and back under the name of the sheet', async () => {
  const { recorded, asked, tell, desk } = await visitOver(SHEET, {
    probes: ['open', 'silent', 'silent', 'open'],
  })
  tell(
    story()
      .pull(DESK, SWITCH_44, { handed: 10 })
      .refuse({ address: '203.0.113.5' }, RADIO)
      .pull({ address: '192.0.2.1' }, RADIO),
  )
  tell(story().pull(DESK, SWITCH_44))
  await expect
    .poll(() => recorded.map(({ kind }) => kind), { timeout: 10_000 })
    .toEqual(['sheet', 'device-dark', 'device-back'])
  expect(recorded[1]).toEqual({ kind: 'device-dark', device: 'desk', address: '192.0.2.10' })
  expect(new Set(asked)).toEqual(new Set(['192.0.2.10']))
  expect(desk.sheet?.rows).toHaveLength(2)
})

it('what the plan shows for as long as it is so stood on the page for good', async () => {
  const { said, standing, tell, folder, desk } = await visitOver(SHEET)
  const other = { ...RADIO, name: 'other.bin', plainPath: '/other.bin', sha256: '9'.repeat(64) }
  tell(story().begin(DESK, other))
  await rm(join(folder, 'visit.csv'))
  await expect.poll(() => said.join(), { timeout: 10_000 }).toContain('visit.csv is gone')
  expect(desk.sheet?.errors).toEqual(['visit.csv is gone: nothing is planned any more.'])
  await writeFile(join(folder, 'visit.csv'), SHEET)
  await expect.poll(() => desk.sheet?.errors, { timeout: 10_000 }).toEqual([])
  expect(said).toHaveLength(2)
  expect(standing()).toEqual([])
})

it('that the sheet cannot be read stood on the page after it could be', async () => {
  const { said, standing, folder } = await visitOver(SHEET)
  await rm(join(folder, 'visit.csv'))
  await mkdir(join(folder, 'visit.csv'))
  await expect.poll(standing, { timeout: 10_000 }).toEqual([expect.stringContaining('cannot be read')])
  await rm(join(folder, 'visit.csv'), { recursive: true })
  await writeFile(join(folder, 'visit.csv'), SHEET)
  await expect.poll(standing, { timeout: 10_000 }).toEqual([])
  expect(said.filter((message) => message.includes('cannot be read'))).toHaveLength(1)
})
