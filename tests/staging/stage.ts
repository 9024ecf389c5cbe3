/** A temporary staging folder and catalogues over it, for the tests of this room. */

import { type EventEmitter, once } from 'node:events'
import { mkdtemp, realpath, rm } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import type { NewEntry } from '../../server/ledger/entries.ts'
import { type Catalogue, type CatalogueOptions, createCatalogue } from '../../server/staging/catalogue.ts'
import { createHolds } from '../../server/staging/holds.ts'
import type { CatalogueEvents, Image } from '../../server/staging/image.ts'
import type { Judge } from '../../server/staging/judge.ts'
import { recorded } from '../ledger/recorded.ts'
import { SILENT_JUDGE } from './silent-judge.ts'

export interface Stage {
  readonly folder: string
  path(name: string): string
  /** Short times; events and rescan as in real life unless told otherwise. */
  open(
    options?: Partial<Omit<CatalogueOptions, 'judge'>> & {
      judge?: Partial<Judge>
      times?: Partial<CatalogueOptions['settings']>
    },
  ): Promise<Catalogue>
  close(): Promise<void>
}

export async function stage(): Promise<Stage> {
  const folder = await realpath(await mkdtemp(join(tmpdir(), 'stage-')))
  const open: Catalogue[] = []
  return {
    folder,
    path: (name) => join(folder, name),
    async open({ times, judge, ...options } = {}) {
      const settings = {
        folder,
        records: join(folder, '.fetchproof'),
        settleMs: 50,
        settleUnsureMs: 150,
        rescanMs: 300,
        ...times,
      }
      const catalogue = await createCatalogue({ settings, judge: { ...SILENT_JUDGE, ...judge }, ...options })
      open.push(catalogue)
      return catalogue
    },
    async close() {
      await Promise.all(open.map((catalogue) => catalogue.close()))
      await rm(folder, { recursive: true, force: true })
    },
  }
}

export const byPerson = { by: 'an engineer', reason: 'compared by telephone' }

/** A catalogue with what persons decide about its `a.bin`, as the depot wires them. */
export async function withDecisions(place: Stage, options: Parameters<Stage['open']>[0] = {}) {
  const holds = createHolds(() => undefined)
  const catalogue = await place.open({ ...options, decide: holds.decide })
  let seq = 0
  const take = (entry: NewEntry): void => {
    seq += 1
    holds.apply(recorded(entry, seq))
    catalogue.decided('a.bin')
  }
  const shaNow = (): string => catalogue.get('a.bin')?.version?.sha256 ?? ''
  return {
    catalogue,
    take,
    hold: (reason: string) =>
      take({ kind: 'held', name: 'a.bin', sha256: shaNow(), by: byPerson.by, reason }),
    lift(sha256 = shaNow()): void {
      const reasons = [...(catalogue.get('a.bin')?.hold?.reasons ?? [])]
      take({ kind: 'lifted', name: 'a.bin', sha256, ...byPerson, reasons })
    },
  }
}

/** The next event whose first value fits; fails after the deadline. */
export async function next<K extends keyof CatalogueEvents>(
  events: EventEmitter<CatalogueEvents>,
  kind: K,
  fits: (...values: CatalogueEvents[K]) => boolean = () => true,
  deadlineMs = 10_000,
): Promise<CatalogueEvents[K]> {
  const signal = AbortSignal.timeout(deadlineMs)
  let values: CatalogueEvents[K]
  do values = (await once(events as EventEmitter, kind, { signal })) as CatalogueEvents[K]
  while (!fits(...values))
  return values
}

/** Resolves with the image as soon as it is as wanted, now or after a change. */
export async function until(
  catalogue: Catalogue,
  name: string,
  fits: (image: Image | undefined) => boolean,
): Promise<Image | undefined> {
  if (fits(catalogue.get(name))) return catalogue.get(name)
  const { events } = catalogue
  return new Promise((resolve, reject) => {
    const check = () => {
      const image = catalogue.get(name)
      if (!fits(image)) return
      stop()
      resolve(image)
    }
    const timer = setTimeout(() => {
      stop()
      reject(new Error(`${name} is ${catalogue.get(name)?.state ?? 'absent'} for too long`))
    }, 10_000)
    function stop(): void {
      clearTimeout(timer)
      events.off('changed', check)
      events.off('gone', check)
    }
    // Two hundred images are waited for at once.
    events.setMaxListeners(0)
    events.on('changed', check)
    events.on('gone', check)
  })
}
