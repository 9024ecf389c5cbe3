import { parse } from 'csv-parse/sync'
import { describe, expect, it } from 'vitest'
import { createPullRecords } from '../../server/delivery/pulls.ts'
import type { FetchRecord } from '../../server/delivery/records.ts'
import type { Entry, EntryOf, NewEntry } from '../../server/ledger/entries.ts'
import { createStrikes } from '../../server/ledger/strikes.ts'
import { planLines } from '../../server/report/plan-lines.ts'
import { visitCsv } from '../../server/report/visit-csv.ts'
import type { FolderFacts } from '../../server/report/visit-facts.ts'
import { visitHtml } from '../../server/report/visit-html.ts'
import { type VisitReport, visitReport } from '../../server/report/visit-report.ts'
import { rowsOnRecord } from '../../server/visit/sheet-entry.ts'
import { createVisitEvidence } from '../../server/visit/visit-evidence.ts'
import { RADIO, type Story, SWITCH_44, story } from '../visit/visit-story.ts'

const DESK = { address: '192.0.2.10', mac: '00:00:5e:00:53:0a' }
const HALL = { address: '192.0.2.11', mac: '00:00:5e:00:53:0b' }
const HEAD = 'ab'.repeat(32)

const OPENED: NewEntry = {
  kind: 'opened',
  version: '0.1.0',
  host: 'branch-laptop',
  system: 'Linux',
  zoneOffsetMinutes: 60,
  addresses: [],
  settings: {},
  visit: { engineer: 'A. N. Other', customer: 'Harrowick', changeReference: 'CHG-7' },
}

function sheet(...rows: readonly Record<string, string>[]): NewEntry {
  return { kind: 'sheet', file: 'visit.csv', sha256: HEAD, rows: [...rows], errors: [] }
}

function onOffer(image: typeof RADIO, published: EntryOf<'image'>['published']): NewEntry {
  return {
    kind: 'image',
    ...image,
    digestPath: `/${image.sha256.slice(0, 8)}.img`,
    crc32: '00000000',
    blockBytes: 262_144,
    blocksSha256: HEAD,
    modified: '2026-11-01T00:00:00.000Z',
    published,
    format: { kind: 'uImage', verdict: 'sound' },
    notes: [],
  }
}

/** `before`: how many entries of other ledgers come first. */
function facts({ entries }: Story, options: Partial<FolderFacts> = {}, before = 0): FolderFacts {
  const asked: FetchRecord[] = []
  const moved: FetchRecord[] = []
  const evidence = createVisitEvidence()
  const book = createPullRecords({
    fetchDone: (fetch) => {
      evidence.applyFetch(fetch)
      if (fetch.ending === 'refused') asked.push(fetch)
      else moved.push(fetch)
    },
  })
  const strikes = createStrikes()
  for (const entry of entries) {
    strikes.apply(entry)
    book.apply(entry, before + entry.seq)
    evidence.apply(entry, before + entry.seq)
  }
  const only = <K extends Entry['kind']>(...kinds: K[]): EntryOf<K>[] =>
    entries.filter((entry): entry is EntryOf<K> => (kinds as string[]).includes(entry.kind))
  const sheets = only('sheet')
  const last = sheets.at(-1)
  return {
    name: 'harrowick',
    ledger: { entries: entries.length, intact: true, head: HEAD, tornBytes: 0 },
    served: false,
    opened: only('opened'),
    begun: entries[0]?.at ?? null,
    ended: entries.at(-1)?.at ?? null,
    sheets,
    rows: last === undefined ? [] : rowsOnRecord(last),
    pulls: book.pulls(),
    asked,
    moved,
    evidence,
    images: only('image'),
    aboutImages: only('image-gone', 'lifted').filter(({ seq }) => !strikes.has(seq)),
    struck: strikes.struck(),
    rehearsals: only('rehearsed'),
    recoveries: only('recovered'),
    macOf: (address) => book.macOf({ address }),
    ...options,
  }
}

function reportOn(...folders: readonly FolderFacts[]): VisitReport {
  return visitReport(folders, { made: '2026-11-26T08:00:00.000Z', version: '0.1.0' })
}

function visit(): Story {
  return story()
    .add(OPENED)
    .add(onOffer(SWITCH_44, { standing: 'matches', algorithm: 'SHA-256', source: 'SHA256SUMS line 1' }))
    .add(onOffer(RADIO, { standing: 'none' }))
    .add(
      sheet(
        {
          device: 'desk',
          address: DESK.address,
          mac: DESK.mac,
          image: SWITCH_44.name,
          version_target: '4.4',
          room: 'hall',
        },
        { device: 'attic', address: '192.0.2.12', image: SWITCH_44.name },
      ),
    )
    .pull(DESK, SWITCH_44)
}

/** The text of a page as a reader sees it. */
function readable(page: string): string {
  return page
    .replace(/<style>[\s\S]*?<\/style>/, '')
    .replace(/<[^>]*>/g, ' ')
    .replace(/&#(\d+);/g, (_whole, code: string) => String.fromCodePoint(Number(code)))
    .replace(/\s+/g, ' ')
}

describe('the record of a visit', () => {
  it('draws a pull that is in progress when the record ends as such, and keeps the letters of a file name', () => {
    const page = visitHtml(reportOn(facts(visit().begin({ address: '192.0.2.12' }, SWITCH_44))))
    expect(page).toMatch(/class="bar running"/)
    expect(page).toContain('in progress when the record ends')
    expect(page).toContain('<span class="name">reading-room-4.4.bin</span>')
  })

  it('says on the card of a device what its stops may mean, as a guess', () => {
    const big = { ...SWITCH_44, bytes: 100_000_000 }
    const told = visit()
    for (let times = 0; times < 3; times += 1)
      told.pull({ address: '192.0.2.12' }, big, { handed: 61_000_000 })
    expect(readable(visitHtml(reportOn(facts(told))))).toContain(
      'A guess: Stopped 3 times near the same place',
    )
  })

  it('says what a device that is not on the sheet printed', () => {
    const value = '9e107d9d372bb6826bd81d3542a419d6'
    const told = visit().add({
      kind: 'observed',
      device: 'cupboard',
      by: 'A. N. Other',
      digest: { algorithm: 'md5', value },
    })
    expect(readable(visitHtml(reportOn(facts(told))))).toContain(
      `cupboard: the device printed the MD5 digest ${value}, that of no image on record (observed by A. N. Other`,
    )
  })

  it('says who, what was planned, what was done, and what was not', () => {
    const report = reportOn(
      facts(
        visit().add({ kind: 'observed', device: 'desk', by: 'A. N. Other', before: '4.1', after: '4.4' }),
      ),
    )
    expect(report.complete).toBe(false)
    expect(report.notDone).toEqual(['attic: was not seen. Planned: reading-room-4.4.bin.'])
    const text = readable(visitHtml(report))
    for (const said of [
      'Harrowick',
      'CHG-7',
      'A. N. Other',
      'Not complete 1 point open',
      'Complete: the device took every byte.',
      `SHA-256 ${SWITCH_44.sha256}`,
      'matches (SHA-256, SHA256SUMS line 1)',
      '4.4 observed by A. N. Other, 2026-11-25 21:00:10',
      'attic: was not seen.',
      'Staged, but pulled by no device: lending-desk-2.8.img.',
      `fetchproof audit harrowick --check --head ${HEAD}`,
      'room: hall',
      'can leave a device dead',
    ]) {
      expect(text).toContain(said)
    }
  })

  it('shows times as the clock at the site did, with the zone', () => {
    const text = readable(visitHtml(reportOn(facts(visit()))))
    expect(text).toContain('2026-11-25 21:00:05 to 21:00:09 UTC+01:00')
  })

  it('never claims that an image was installed', () => {
    const told = visit()
      .pull(HALL, RADIO)
      .pull(DESK, RADIO, { handed: 5 })
      .refuse(HALL, SWITCH_44)
      .add({
        kind: 'observed',
        device: 'desk',
        by: 'x',
        digest: { algorithm: 'sha256', value: SWITCH_44.sha256, image: SWITCH_44 },
      })
      .add({ kind: 'device-dark', device: 'desk', address: DESK.address })
    const report = reportOn(facts(told))
    expect(visitHtml(report).toLowerCase()).not.toContain('install')
    expect(JSON.stringify(report).toLowerCase()).not.toContain('install')
  })

  it('says so when the ledger is not intact, and is not complete then', () => {
    const ledger = {
      entries: 9,
      intact: false,
      head: HEAD,
      tornBytes: 0,
      firstBad: { line: 7, why: 'it was changed' },
    }
    const told = story()
      .add(OPENED)
      .add(sheet({ device: 'desk', address: DESK.address, image: RADIO.name }))
      .pull(DESK, RADIO)
    expect(reportOn(facts(told)).complete).toBe(true)
    const report = reportOn(facts(told, { ledger }))
    expect(report.complete).toBe(false)
    expect(readable(visitHtml(report))).toContain('BROKEN at line 7: it was changed')
  })

  it('calls a visit that is still being served not ended', () => {
    const report = reportOn(facts(visit(), { served: true }))
    expect(report.plan?.devices.map(({ standing }) => standing)).toEqual(['pulled', 'waiting'])
    expect(readable(visitHtml(report))).toContain('Visit in progress')
  })

  it('does without a visit sheet: the last pull of each client decides', () => {
    const whole = story().add(OPENED).pull(DESK, RADIO, { handed: 3 }).pull(DESK, RADIO)
    expect(reportOn(facts(whole))).toMatchObject({ plan: null, complete: true })
    const cut = reportOn(facts(story().add(OPENED).pull(DESK, RADIO, { handed: 3 })))
    expect(cut.notDone).toEqual(['192.0.2.10: the pull of lending-desk-2.8.img is incomplete.'])
    expect(readable(visitHtml(cut))).toContain('There was no visit sheet')
  })

  it('begins with what the visit came to, and has the planned version beside before and after', () => {
    const told = visit()
      .add({ kind: 'observed', device: 'desk', by: 'A. N. Other', before: '4.1', after: '4.3' })
      .refuse({ address: '192.0.2.12' }, SWITCH_44, 'held')
    const text = readable(visitHtml(reportOn(facts(told))))
    const [verdict, table] = text.split('What was planned and what was done')
    expect(verdict).toMatch(/0 done 1 contradicted 1 contradicted 1 open 1 refused/)
    expect(table).toMatch(/Standing Before Planned After .* 4\.1 4\.4 4\.3 /)
    expect(text.split('What each standing means')[1]).toMatch(/^ refused .* contradicted /)
  })

  it('names images that were lifted, with the reason, among what is open and on the card of who pulled one', () => {
    const lift = { sha256: SWITCH_44.sha256, reason: 'read to me by telephone', by: 'A. N. Other' }
    const told = visit().add({ kind: 'lifted', name: SWITCH_44.name, ...lift })
    const text = readable(visitHtml(reportOn(facts(told))))
    const [open, cards] = text.split('What was not done')[1]?.split('Device by device') ?? []
    const words = `${SWITCH_44.name}: the hold was lifted by A. N. Other (read to me by telephone).`
    expect([open?.includes(words), cards?.includes(words)]).toEqual([true, true])
  })

  it('lists held and lifted images, refusals with their count, and strangers', () => {
    const told = visit()
      .add({
        kind: 'held',
        name: RADIO.name,
        sha256: RADIO.sha256,
        reason: 'differs from the published checksum',
      })
      .add({
        kind: 'lifted',
        name: RADIO.name,
        sha256: RADIO.sha256,
        reason: 'read to me by telephone',
        by: 'A. N. Other',
      })
      .pull(HALL, RADIO)
      .refuse({ address: '203.0.113.9' }, SWITCH_44, 'not an allowed client')
    const report = reportOn(facts(told))
    expect(report.images[1]).toMatchObject({
      held: null,
      lifted: { reason: 'read to me by telephone' },
      pulls: 1,
      planned: false,
    })
    const text = readable(visitHtml(report))
    expect(text).toContain('hold lifted by A. N. Other (read to me by telephone)')
    expect(text).toContain('403: not an allowed client')
    expect(text).toContain('192.0.2.11 00:00:5e:00:53:0b not on the sheet')
  })

  it('leaves what was struck out of its tables and lists it after them', () => {
    const told = visit()
      .add({
        kind: 'held',
        name: RADIO.name,
        sha256: RADIO.sha256,
        reason: 'it bricked one',
        by: 'A. N. Other',
      })
      .add({
        kind: 'lifted',
        name: RADIO.name,
        sha256: RADIO.sha256,
        reason: 'tried again',
        by: 'A. N. Other',
      })
      .add({ kind: 'observed', device: 'harrowick-sw1', by: 'A. N. Other', after: '9.9.9' })
    const seqOf = (kind: Entry['kind']): number =>
      told.entries.findLast((entry) => entry.kind === kind)?.seq ?? 0
    const clean = reportOn(facts(told))
    expect(clean.struck).toEqual([])
    expect(readable(visitHtml(clean))).not.toContain('What was struck')
    for (const kind of ['lifted', 'observed'] as const) {
      told.add({ kind: 'struck', strikes: seqOf(kind), reason: 'the wrong line', by: 'M. Engineer' })
    }
    const report = reportOn(facts(told))
    expect(report.images[1]).toMatchObject({ held: 'Held by A. N. Other: it bricked one', lifted: null })
    const [tables, appendix] = readable(visitHtml(report)).split('What was struck')
    expect(tables).not.toMatch(/9\.9\.9|tried again/)
    expect(appendix).toContain('harrowick-sw1: after 9.9.9 (observed by A. N. Other)')
    expect(appendix).toContain('hold lifted by A. N. Other (tried again)')
    expect(appendix).toContain('M. Engineer')
    expect(report.struck).toMatchObject([{ reason: 'the wrong line' }, { reason: 'the wrong line' }])
  })

  it('puts several folders together, a device of both with all its steps', () => {
    const first = facts(visit(), { name: 'switches' })
    const second = facts(
      story(Date.parse('2026-11-25T22:00:00Z'))
        .add(OPENED)
        .add(onOffer(RADIO, { standing: 'none' }))
        .add(
          sheet(
            { device: 'Desk', image: RADIO.name },
            { device: 'attic', address: '198.51.100.12', image: RADIO.name },
          ),
        )
        .pull(DESK, RADIO),
      { name: 'radios' },
      1_000,
    )
    const report = reportOn(first, second)
    expect(
      report.plan?.devices.map(({ device, standing, steps }) => [device, standing, steps.length]),
    ).toEqual([
      ['desk', 'pulled', 2],
      ['attic', 'not seen', 1],
      // Another address: the two sheets mean two devices.
      ['attic (radios)', 'not seen', 1],
    ])
    expect(report.folders.map(({ name }) => name)).toEqual(['switches', 'radios'])
    expect(report.pulls.map(({ image }) => image.name)).toEqual([SWITCH_44.name, RADIO.name])
  })
})

describe('text from outside', () => {
  const markup = '"><script>alert(1)</script><img src=x onerror=alert(2)>\'`&'
  const formula = '=HYPERLINK("http://192.0.2.66/","x")'
  const controls = 'a\u001b[2Jb\u0007\u202ec\r\nd\u0000'
  const evil = `${formula} ${markup} ${controls}`

  /** The same hostile text in every field that somebody else can fill. */
  function hostile(): VisitReport {
    const image = { ...RADIO, name: evil, plainPath: `/${evil}` }
    const told = story()
      .add({
        ...OPENED,
        host: evil,
        system: evil,
        version: evil,
        visit: { engineer: evil, customer: evil, site: evil, changeReference: evil, approver: evil },
      } as NewEntry)
      .add({
        ...onOffer(image, { standing: 'differs', algorithm: evil, source: evil }),
        notes: [evil],
        format: { kind: evil, verdict: 'damaged', detail: evil },
      } as NewEntry)
      .add({ kind: 'held', name: evil, sha256: RADIO.sha256, reason: evil })
      .add({ kind: 'lifted', name: evil, sha256: RADIO.sha256, reason: evil, by: evil })
      .add({
        kind: 'sheet',
        file: evil,
        sha256: HEAD,
        errors: [evil],
        rows: [
          Object.fromEntries(
            ['image', 'model', 'serial', 'version_before', 'version_target', 'rollback', 'note', evil].map(
              (name) => [name, evil],
            ),
          ),
        ].map((row) => ({ ...row, device: evil, address: DESK.address })),
      })
      .pull(DESK, image)
      .pull(DESK, SWITCH_44)
      .pull({ address: evil, mac: evil }, image)
      .refuse({ address: evil }, image, evil)
      .add({
        kind: 'observed',
        device: evil,
        by: evil,
        before: evil,
        after: evil,
        note: evil,
        digest: { algorithm: evil, value: evil, image },
      })
      .add({ kind: 'observed', device: `other ${evil}`, by: evil, note: evil })
      .add({ kind: 'device-dark', device: evil, address: evil })
      .add({ kind: 'device-back', device: evil, address: evil, darkMs: 1_000 })
      .add({
        kind: 'rehearsed',
        base: evil,
        by: evil,
        checks: 1,
        differences: [{ url: evil, check: evil, found: evil }],
      })
    const ledger = { entries: 1, intact: false, head: HEAD, tornBytes: 0, firstBad: { line: 1, why: evil } }
    return visitReport([facts(told, { name: evil, ledger })], {
      made: '2026-11-26T08:00:00.000Z',
      version: evil,
    })
  }

  it('is no markup in HTML, wherever it stands', () => {
    const page = visitHtml(hostile())
    expect(page.match(/<script|<img|onerror=[^&]*>/gi)).toBeNull()
    // Only the tags that the program itself writes, each with its own attributes.
    const tags = new Set([...page.matchAll(/<\/?([a-z0-9]+)/gi)].map(([, name]) => name?.toLowerCase()))
    expect([...tags].filter((name) => !OWN_TAGS.has(name ?? ''))).toEqual([])
    const shown = readable(page)
    expect(shown).toContain('<script>alert(1)</script>')
    // biome-ignore lint/suspicious/noControlCharactersInRegex: their absence is the point
    expect(page).not.toMatch(/[\u0000-\u0009\u000b-\u001f\u007f-\u009f\u202e]/)
  })

  it('loads and runs nothing: no outside reference, and a policy that would forbid it', () => {
    const page = visitHtml(hostile())
    expect(page).toMatch(
      /Content-Security-Policy" content="default-src &#39;none&#39;|Content-Security-Policy" content="default-src 'none'/,
    )
    expect(page).not.toMatch(/\s(src|href|srcset|action|style)=["']/i)
    expect(page.match(/<style>[\s\S]*?<\/style>/)?.[0]).not.toMatch(/url\((?!#)|@import/)
  })

  it('is no formula in CSV, and no line of its own', async () => {
    const text = await visitCsv(hostile())
    const rows = parse(text, { columns: true }) as Record<string, string>[]
    expect(rows.length).toBeGreaterThanOrEqual(3)
    for (const row of rows) {
      for (const cell of Object.values(row)) {
        if (/^-?\d+(\.\d+)?$/.test(cell)) continue
        expect(cell).not.toMatch(/^[=+\-@\t\r]/)
        // biome-ignore lint/suspicious/noControlCharactersInRegex: their absence is the point
        expect(cell).not.toMatch(/[\u0000-\u001f\u202e]/)
      }
    }
    expect(text.trimEnd().split('\r\n')).toHaveLength(rows.length + 1)
  })

  it('moves no cursor on a terminal', () => {
    const { plan } = hostile()
    const lines = plan === null ? [] : planLines(plan)
    expect(lines.length).toBeGreaterThan(2)
    // biome-ignore lint/suspicious/noControlCharactersInRegex: their absence is the point
    expect(lines.join('')).not.toMatch(/[\u0000-\u001f\u007f-\u009f\u202e]/)
  })
})

const OWN_TAGS = new Set(
  'html head meta title style body header h1 h2 h3 p div small span section table thead tbody tr th td ul li strong code br figure figcaption svg line text g rect defs pattern'.split(
    ' ',
  ),
)
