/** A visit told in entries, for the tests of plan and report. */
import { createPullRecords } from '../../server/delivery/pulls.ts'
import type { FetchRecord } from '../../server/delivery/records.ts'
import type { Entry, EntryOf, ImageReference, NewEntry } from '../../server/ledger/entries.ts'
import type { DevicePlan } from '../../server/visit/device-plan.ts'
import { type Plan, type PlanFacts, planAgainstFacts } from '../../server/visit/plan.ts'
import { parseSheet } from '../../server/visit/sheet.ts'
import type { PlannedRow } from '../../server/visit/sheet-rows.ts'
import { createVisitEvidence } from '../../server/visit/visit-evidence.ts'
import { resume, tell } from '../delivery/ledger-story.ts'

export function image(name: string, digit: string, bytes = 1_000): ImageReference {
  return { name, plainPath: `/${name}`, bytes, sha256: digit.repeat(64) }
}

export const SWITCH_41 = image('reading-room-4.1.bin', '1')
export const SWITCH_44 = image('reading-room-4.4.bin', '4')
export const RADIO = image('lending-desk-2.8.img', '8')
export const IMAGES = [SWITCH_41, SWITCH_44, RADIO]

export function sheetRows(...lines: readonly string[]): readonly PlannedRow[] {
  return parseSheet(Buffer.from(lines.join('\n'))).rows
}

/** The entry that puts it on offer. */
export function onOffer(
  what: ImageReference,
  published: EntryOf<'image'>['published'] = { standing: 'none' },
  notes: string[] = [],
): NewEntry {
  return {
    kind: 'image',
    ...what,
    digestPath: `/${what.sha256.slice(0, 8)}.bin`,
    crc32: what.sha256.slice(0, 8),
    blockBytes: 262_144,
    blocksSha256: 'ab'.repeat(32),
    modified: '2026-11-01T00:00:00.000Z',
    published,
    format: { kind: 'uImage', verdict: 'sound' },
    notes,
  }
}

export interface Story {
  /** A whole fetch from the first byte; `handed` fewer bytes end it as cut. */
  pull(from: Client, what: ImageReference, options?: PullOptions): Story
  begin(from: Client, what: ImageReference): Story
  refuse(from: Client, what: ImageReference, reason?: string, status?: number): Story
  /** Ends what `begin` began last. */
  end(ending: 'delivered' | 'unconfirmed' | 'cut', what: ImageReference): Story
  /** Puts it on offer under its name, in the place of what was there. */
  offer(what: ImageReference): Story
  /** The device's own word. */
  printed(device: string, what: ImageReference | string, algorithm?: string): Story
  after(device: string, version: string): Story
  /** The clock of the laptop is set. */
  clock(ms: number): Story
  add(entry: NewEntry): Story
  readonly entries: Entry[]
}

export interface Client {
  readonly address: string
  readonly mac?: string
}

export interface PullOptions {
  readonly handed?: number
  readonly first?: number
  readonly rehearsal?: boolean
  readonly ending?: 'delivered' | 'unconfirmed' | 'cut'
  readonly lasts?: number
}

/** Each entry a second after the one before. */
export function story(startMs = Date.parse('2026-11-25T20:00:00Z')): Story {
  const told = tell({ startMs, pauseMs: 1_000 })
  let last = 0
  const begin = (from: Client, image: ImageReference, first = 0, rehearsal = false): number => {
    const part = first > 0 ? resume(first) : {}
    last = told.begin({ from: from.address, mac: from.mac, image, rehearsal, ...part })
    return last
  }
  const it: Story = {
    entries: told.entries,
    add(entry) {
      told.add(entry)
      return it
    },
    begin(from, what) {
      begin(from, what)
      return it
    },
    refuse(from, image, reason = 'not planned', status = 403) {
      told.refuse({ from: from.address, mac: from.mac, image, reason, status })
      return it
    },
    end(ending, what) {
      told.end(last, ending, ending === 'cut' ? 1 : what.bytes, { durationMs: 1_000 })
      return it
    },
    offer: (what) => it.add(onOffer(what)),
    printed(device, what, algorithm = 'sha256') {
      const value = typeof what === 'string' ? what : what.sha256
      const digest = { algorithm, value, ...(typeof what !== 'string' && { image: what }) }
      return it.add({ kind: 'observed', device, by: 'engineer', digest })
    },
    after: (device, version) => it.add({ kind: 'observed', device, by: 'engineer', after: version }),
    clock(ms) {
      told.setClock(ms)
      return it
    },
    pull(from, what, options = {}) {
      const { first = 0, handed = what.bytes - first, rehearsal = false, lasts = 4_000 } = options
      const ending = options.ending ?? (handed < what.bytes - first ? 'cut' : 'delivered')
      told.end(begin(from, what, first, rehearsal), ending, handed, { durationMs: lasts })
      return it
    },
  }
  return it
}

/** The facts of a story as the depot and the report gather them. `present`: in the folder, beside what is on record. */
export function factsOf(
  rows: readonly PlannedRow[],
  entries: readonly Entry[],
  over = false,
  present: readonly ImageReference[] = IMAGES,
): PlanFacts {
  const moved: FetchRecord[] = []
  const evidence = createVisitEvidence()
  const book = createPullRecords({
    fetchDone(fetch) {
      evidence.applyFetch(fetch)
      moved.push(fetch)
    },
  })
  for (const entry of entries) {
    book.apply(entry)
    evidence.apply(entry)
  }
  const ledgers = [{ pulls: book.pulls(), evidence }]
  return { rows, ledgers, moved, present, over, macOf: (address) => book.macOf({ address }) }
}

export function planOf(rows: readonly PlannedRow[], entries: readonly Entry[], over = false): Plan {
  return planAgainstFacts(factsOf(rows, entries, over))
}

export function deviceOf(plan: Plan, name: string): DevicePlan {
  const device = plan.devices.find((each) => each.device === name)
  if (device === undefined) throw new Error(`${name} is not in the plan`)
  return device
}
