import { readFileSync, writeFileSync } from 'node:fs'
import { dirname } from 'node:path'
import { parse } from 'csv-parse/sync'
import { describe, expect, it, onTestFinished } from 'vitest'
import type { Entry, NewEntry } from '../../server/ledger/entries.ts'
import { takeLock } from '../../server/ledger/lock.ts'
import { planLines } from '../../server/report/plan-lines.ts'
import { visitCsv } from '../../server/report/visit-csv.ts'
import { type FolderFacts, visitFacts } from '../../server/report/visit-facts.ts'
import { visitHtml } from '../../server/report/visit-html.ts'
import type { VisitReport } from '../../server/report/visit-report.ts'
import { onOffer, RADIO, type Story, SWITCH_44, story } from '../visit/visit-story.ts'
import { ledgerOf, readable, reportOn, sheetOf } from './told-visit.ts'

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

/** The facts as the program gathers them from a ledger, but for what is `known` otherwise. */
async function facts(told: Story, known: Partial<FolderFacts> = {}): Promise<readonly FolderFacts[]> {
  const [found] = await visitFacts([ledgerOf(told, 'harrowick')])
  return found === undefined ? [] : [{ ...found, ...known }]
}

function visit(): Story {
  return story()
    .add(OPENED)
    .add(onOffer(SWITCH_44, { standing: 'matches', algorithm: 'SHA-256', source: 'SHA256SUMS line 1' }))
    .add(onOffer(RADIO))
    .add(
      sheetOf(
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

describe('the record of a visit', () => {
  it('draws a pull that is in progress when the record ends as such, and keeps the letters of a file name', async () => {
    const page = visitHtml(reportOn(await facts(visit().begin({ address: '192.0.2.12' }, SWITCH_44))))
    expect(page).toMatch(/class="bar running"/)
    expect(page).toContain('in progress when the record ends')
    expect(page).toContain('<span class="name">reading-room-4.4.bin</span>')
  })

  it('says on the card of a device what its stops may mean, as a guess', async () => {
    const big = { ...SWITCH_44, bytes: 100_000_000 }
    const told = visit()
    for (let times = 0; times < 3; times += 1)
      told.pull({ address: '192.0.2.12' }, big, { handed: 61_000_000 })
    expect(readable(visitHtml(reportOn(await facts(told))))).toContain(
      'A guess: Stopped 3 times near the same place',
    )
  })

  it('says what a device that is not on the sheet printed', async () => {
    const value = '9e107d9d372bb6826bd81d3542a419d6'
    const told = visit().add({
      kind: 'observed',
      device: 'cupboard',
      by: 'A. N. Other',
      digest: { algorithm: 'md5', value },
    })
    expect(readable(visitHtml(reportOn(await facts(told))))).toContain(
      `cupboard: the device printed the MD5 digest ${value}, that of no image on record (observed by A. N. Other`,
    )
  })

  it('says who, what was planned, what was done, and what was not', async () => {
    const report = reportOn(
      await facts(
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
      `fetchproof audit harrowick --check --head ${report.folders[0]?.ledger.head}`,
      'room: hall',
      'can leave a device dead',
    ]) {
      expect(text).toContain(said)
    }
  })

  it('shows times as the clock at the site did, with the zone', async () => {
    const text = readable(visitHtml(reportOn(await facts(visit()))))
    expect(text).toContain('2026-11-25 21:00:05 to 21:00:09 UTC+01:00')
  })

  it('never claims that an image was installed', async () => {
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
    const report = reportOn(await facts(told))
    expect(visitHtml(report).toLowerCase()).not.toContain('install')
    expect(JSON.stringify(report).toLowerCase()).not.toContain('install')
  })

  it('says so when the ledger is not intact, and is not complete then', async () => {
    const told = story()
      .add(OPENED)
      .add(sheetOf({ device: 'desk', address: DESK.address, image: RADIO.name }))
      .pull(DESK, RADIO)
    const file = ledgerOf(told, 'harrowick')
    expect(reportOn(await visitFacts([file])).complete).toBe(true)
    writeFileSync(file, readFileSync(file, 'utf8').replace('branch-laptop', 'another-laptop'))
    const report = reportOn(await visitFacts([file]))
    expect(report.complete).toBe(false)
    expect(readable(visitHtml(report))).toMatch(/BROKEN at line 1: \w/)
  })

  it('calls a visit that is still being served not ended', async () => {
    const file = ledgerOf(visit(), 'harrowick')
    const lock = await takeLock(dirname(file))
    onTestFinished(() => lock.release())
    const report = reportOn(await visitFacts([file]))
    expect(report.plan?.devices.map(({ standing }) => standing)).toEqual(['pulled', 'waiting'])
    expect(readable(visitHtml(report))).toContain('Visit in progress')
  })

  it('does without a visit sheet: the last pull of each client decides', async () => {
    const whole = story().add(OPENED).pull(DESK, RADIO, { handed: 3 }).pull(DESK, RADIO)
    expect(reportOn(await facts(whole))).toMatchObject({ plan: null, complete: true })
    const cut = reportOn(await facts(story().add(OPENED).pull(DESK, RADIO, { handed: 3 })))
    expect(cut.notDone).toEqual(['192.0.2.10: the pull of lending-desk-2.8.img is incomplete.'])
    expect(readable(visitHtml(cut))).toContain('There was no visit sheet')
  })

  it('begins with what the visit came to, and has the planned version beside before and after', async () => {
    const told = visit()
      .add({ kind: 'observed', device: 'desk', by: 'A. N. Other', before: '4.1', after: '4.3' })
      .refuse({ address: '192.0.2.12' }, SWITCH_44, 'held')
    const text = readable(visitHtml(reportOn(await facts(told))))
    const [verdict, table] = text.split('What was planned and what was done')
    expect(verdict).toMatch(/0 done 1 contradicted 1 contradicted 1 open 1 refused/)
    expect(table).toMatch(/Standing Before Planned After .* 4\.1 4\.4 4\.3 /)
    expect(text.split('What each standing means')[1]).toMatch(/^ refused .* contradicted /)
  })

  it('names images that were lifted, with the reason, among what is open and on the card of who pulled one', async () => {
    const lift = { sha256: SWITCH_44.sha256, reason: 'read to me by telephone', by: 'A. N. Other' }
    const told = visit().add({ kind: 'lifted', name: SWITCH_44.name, ...lift })
    const text = readable(visitHtml(reportOn(await facts(told))))
    const [open, cards] = text.split('What was not done')[1]?.split('Device by device') ?? []
    const words = `${SWITCH_44.name}: the hold was lifted by A. N. Other (read to me by telephone).`
    expect([open?.includes(words), cards?.includes(words)]).toEqual([true, true])
  })

  it('lists held and lifted images, refusals with their count, and strangers', async () => {
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
    const report = reportOn(await facts(told))
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

  it('leaves what was struck out of its tables and lists it after them', async () => {
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
    const clean = reportOn(await facts(told))
    expect(clean.struck).toEqual([])
    expect(readable(visitHtml(clean))).not.toContain('What was struck')
    for (const kind of ['lifted', 'observed'] as const) {
      told.add({ kind: 'struck', strikes: seqOf(kind), reason: 'the wrong line', by: 'M. Engineer' })
    }
    const report = reportOn(await facts(told))
    expect(report.images[1]).toMatchObject({ held: 'Held by A. N. Other: it bricked one', lifted: null })
    const [tables, appendix] = readable(visitHtml(report)).split('What was struck')
    expect(tables).not.toMatch(/9\.9\.9|tried again/)
    expect(appendix).toContain('harrowick-sw1: after 9.9.9 (observed by A. N. Other)')
    expect(appendix).toContain('hold lifted by A. N. Other (tried again)')
    expect(appendix).toContain('M. Engineer')
    expect(report.struck).toMatchObject([{ reason: 'the wrong line' }, { reason: 'the wrong line' }])
  })

  it('puts several folders together, a device of both with all its steps', async () => {
    const second = story(Date.parse('2026-11-25T22:00:00Z'))
      .add(OPENED)
      .add(onOffer(RADIO))
      .add(
        sheetOf(
          { device: 'Desk', image: RADIO.name },
          { device: 'attic', address: '198.51.100.12', image: RADIO.name },
        ),
      )
      .pull(DESK, RADIO)
    const report = reportOn(await visitFacts([ledgerOf(visit(), 'switches'), ledgerOf(second, 'radios')]))
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
  async function hostile(): Promise<VisitReport> {
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
    return reportOn(await facts(told, { name: evil, ledger }), evil)
  }

  it('is no markup in HTML, wherever it stands', async () => {
    const page = visitHtml(await hostile())
    expect(page.match(/<script|<img|onerror=[^&]*>/gi)).toBeNull()
    // Only the tags that the program itself writes, each with its own attributes.
    const tags = new Set([...page.matchAll(/<\/?([a-z0-9]+)/gi)].map(([, name]) => name?.toLowerCase()))
    expect([...tags].filter((name) => !OWN_TAGS.has(name ?? ''))).toEqual([])
    const shown = readable(page)
    expect(shown).toContain('<script>alert(1)</script>')
    // biome-ignore lint/suspicious/noControlCharactersInRegex: their absence is the point
    expect(page).not.toMatch(/[\u0000-\u0009\u000b-\u001f\u007f-\u009f\u202e]/)
  })

  it('loads and runs nothing: no outside reference, and a policy that would forbid it', async () => {
    const page = visitHtml(await hostile())
    expect(page).toMatch(
      /Content-Security-Policy" content="default-src &#39;none&#39;|Content-Security-Policy" content="default-src 'none'/,
    )
    expect(page).not.toMatch(/\s(src|href|srcset|action|style)=["']/i)
    expect(page.match(/<style>[\s\S]*?<\/style>/)?.[0]).not.toMatch(/url\((?!#)|@import/)
  })

  it('is no formula in CSV, and no line of its own', async () => {
    const text = await visitCsv(await hostile())
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

  it('moves no cursor on a terminal', async () => {
    const { plan } = await hostile()
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
