/** A visit told in entries, for the tests of plan and report. */
import { createPullBook } from '../../server/delivery/pulls.ts'
import type { FetchRecord } from '../../server/delivery/records.ts'
import type { Entry, EntryOf, ImageReference, NewEntry } from '../../server/ledger/entries.ts'
import { type PlanFacts, planAgainstFacts } from '../../server/visit/plan.ts'
import type { DevicePlan, Plan } from '../../server/visit/plan-shape.ts'
import { parseSheet } from '../../server/visit/sheet.ts'
import type { PlannedRow } from '../../server/visit/sheet-rows.ts'

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

export interface Story {
  /** A whole fetch from the first byte; `handed` fewer bytes end it as cut. */
  pull(from: Client, what: ImageReference, options?: PullOptions): Story
  begin(from: Client, what: ImageReference): Story
  refuse(from: Client, what: ImageReference, reason?: string): Story
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
  const entries: Entry[] = []
  let now = startMs
  let id = 0
  const add = (entry: NewEntry, afterMs = 1_000): void => {
    now += afterMs
    entries.push({
      seq: entries.length + 1,
      at: new Date(now).toISOString(),
      prev: '',
      sum: '',
      ...entry,
    } as Entry)
  }
  function begun(from: Client, what: ImageReference, first: number, rehearsal: boolean): number {
    id += 1
    add({
      kind: 'fetch-begun',
      id,
      client: from,
      localAddress: '192.0.2.1',
      method: 'GET',
      target: what.plainPath,
      httpVersion: '1.1',
      image: what,
      status: first > 0 ? 206 : 200,
      first,
      promised: what.bytes - first,
      ...(first > 0 && { range: `bytes=${first}-` }),
      ...(rehearsal && { rehearsal }),
    })
    return id
  }
  const it: Story = {
    entries,
    add(entry) {
      add(entry)
      return it
    },
    begin(from, what) {
      begun(from, what, 0, false)
      return it
    },
    refuse(from, what, reason = 'not planned') {
      id += 1
      add({
        kind: 'fetch-refused',
        id,
        client: from,
        localAddress: '192.0.2.1',
        target: what.plainPath,
        status: 403,
        reason,
        image: what,
      })
      return it
    },
    pull(from, what, options = {}) {
      const { first = 0, handed = what.bytes - first, rehearsal = false, lasts = 4_000 } = options
      const number = begun(from, what, first, rehearsal)
      const ending = options.ending ?? (handed < what.bytes - first ? 'cut' : 'delivered')
      add({ kind: 'fetch-ended', id: number, ending, bytesHandedOver: handed, durationMs: lasts }, lasts)
      return it
    },
  }
  return it
}

/** The facts of a story as the depot and the report gather them. */
export function factsOf(rows: readonly PlannedRow[], entries: readonly Entry[], over = false): PlanFacts {
  const fetches: FetchRecord[] = []
  const book = createPullBook({ fetchDone: (fetch) => fetches.push(fetch) })
  for (const entry of entries) book.take(entry)
  const only = <K extends Entry['kind']>(...kinds: K[]): EntryOf<K>[] =>
    entries.filter((entry): entry is EntryOf<K> => (kinds as string[]).includes(entry.kind))
  return {
    rows,
    pulls: book.pulls(),
    fetches,
    observations: only('observed'),
    returns: only('device-dark', 'device-back'),
    images: IMAGES,
    over,
    macOf: (address) => book.macOf({ address }),
  }
}

export function planOf(rows: readonly PlannedRow[], entries: readonly Entry[], over = false): Plan {
  return planAgainstFacts(factsOf(rows, entries, over))
}

export function deviceOf(plan: Plan, name: string): DevicePlan {
  const device = plan.devices.find((each) => each.device === name)
  if (device === undefined) throw new Error(`${name} is not in the plan`)
  return device
}
