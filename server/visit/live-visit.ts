/**
 * The visit while it is going on: the sheet as it stands, the plan against the ledger, devices' names, what the
 * sheet allows, and devices coming back. Writes the `sheet`, `device-dark` and `device-back` entries.
 */
import type { LivePull } from '../delivery/live-pulls.ts'
import type { PullRecords } from '../delivery/pulls.ts'
import type { FetchRecord } from '../delivery/records.ts'
import type { WriterOf } from '../files/open-writers.ts'
import type { ClientRef, Entry, EntryOf, ImageReference, NewEntry } from '../ledger/entries.ts'
import type { Image } from '../staging/image.ts'
import type { SettleTimes } from '../staging/settling.ts'
import type { Matched } from '../trust/matching/match-finding.ts'
import { createAllowedImages, wrongImageUnderWay } from './allowed-images.ts'
import { createDeviceFinder, type FoundDevice, onlyDevice, type SeenClient } from './device-finder.ts'
import { type Hint, hintsFrom } from './hints.ts'
import { type DeviceMatched, matchOnPlan } from './match-on-plan.ts'
import { type Plan, planAgainstFacts } from './plan.ts'
import { createImageNames, type ImageNames } from './planned-image.ts'
import { type RemainingPulls, remainingPulls } from './remaining-pulls.ts'
import { createReturnWatch, type ReturnWatchOptions } from './return-watch.ts'
import { sheetEntry } from './sheet-entry.ts'
import type { VisitEvidence } from './visit-evidence.ts'
import { createVisitFile, GONE_SHEET, type ReadSheet } from './visit-file.ts'

export type LiveVisit = ReturnType<typeof createLiveVisit>

interface LiveVisitDeps {
  readonly folder: string
  readonly onlyPlanned: boolean
  /** Absent: no device is ever connected to. */
  readonly watchReturn?: Pick<ReturnWatchOptions, 'port' | 'everyMs' | 'notBackMs' | 'probe'>
  readonly pulls: Pick<PullRecords, 'pulls' | 'pullOf' | 'macOf' | 'renamed'>
  /** For how long a changed sheet must be quiet, and who still writes it. */
  readonly settle?: SettleTimes
  readonly writerOf?: WriterOf
  readonly fetches: () => readonly FetchRecord[]
  readonly evidence: VisitEvidence
  /** SHA-256 of the sheet that the ledger holds last. */
  readonly sheetOnRecord: () => string | undefined
  readonly images: () => readonly ImageReference[]
  /** Rates of the links at hand; 100 and 1000 unless told. */
  readonly linkMbps: readonly number[] | undefined
  /** Wall clock, ms since the epoch. */
  readonly now: () => number
  readonly isOwn: (address: string) => boolean
  /** False when the ledger did not take it. */
  readonly record: (entry: NewEntry) => boolean
  /** A sentence for the person at the laptop. `stands`: whether what it says is still so. */
  readonly say: (message: string, stands?: () => boolean) => void
  readonly changed: () => void
}

export function createLiveVisit(deps: LiveVisitDeps) {
  // Long: one sheet and its plan, kept until something changes, a function for each of these changes.
  const { folder, settle, writerOf } = deps
  const file = createVisitFile({ folder, settle, writerOf })
  const learnt = new Map<string, string>()
  const warnedOf = new Set<string>()
  const notBack = new Set<string>()
  let finder = createDeviceFinder([])
  let allowed = createAllowedImages([])
  let plan: Plan | undefined
  let names: ImageNames | undefined
  let hints: readonly Hint[] | undefined
  // What is good on the slowest link at hand is no sign of a bad cable.
  const slowestLink = deps.linkMbps?.length ? Math.min(...deps.linkMbps) : undefined

  const watch =
    deps.watchReturn === undefined
      ? undefined
      : createReturnWatch({
          ...deps.watchReturn,
          onDark: ({ device, address }) => deps.record({ kind: 'device-dark', device, address }),
          onBack: ({ device, address }, darkMs) => {
            notBack.delete(device)
            deps.record({ kind: 'device-back', device, address, darkMs: Math.round(darkMs) })
          },
          onOverdue({ device }, darkMs, seenBefore) {
            notBack.add(device)
            stale()
            deps.say(overdueText(device, darkMs, seenBefore), () => notBack.has(device))
          },
        })

  function imageNames(): ImageNames {
    names ??= createImageNames(deps.images())
    return names
  }

  function stale(): void {
    plan = undefined
    deps.changed()
  }

  /** What the ledger did not take for want of room is tried again with the next entry that it takes. */
  function recordSheet(sheet: ReadSheet): void {
    if (sheet.sha256 !== deps.sheetOnRecord()) deps.record(sheetEntry(sheet))
  }

  function takeSheet(sheet: ReadSheet): void {
    finder = createDeviceFinder(sheet.rows)
    allowed = createAllowedImages(sheet.rows)
    learnt.clear()
    recordSheet(sheet)
    const problems = [...sheet.errors, ...sheet.warnings]
    for (const error of problems.slice(0, ERRORS_SAID)) deps.say(`${sheet.file}: ${error}`, inPlan)
    const more = problems.length - ERRORS_SAID
    if (more > 0) deps.say(`${sheet.file}: and ${more} more; "fetchproof sheet" shows all of them.`, inPlan)
    deps.pulls.renamed()
    stale()
  }
  file.events.on('changed', takeSheet)
  file.events.on('trouble', (message) => deps.say(message, () => file.troubled))
  file.events.on('readable', deps.changed)

  /** A device keeps its name when it changes its address, as its hardware address says. */
  function find(client: SeenClient): FoundDevice {
    const found = finder.find(client)
    if (client.mac === null) return found
    const device = onlyDevice(found)
    if (device !== null) learnt.set(client.mac, device)
    const own = learnt.get(client.mac)
    return own === undefined ? found : { devices: [own] }
  }
  const nameOf = (client: SeenClient): string | null => onlyDevice(find(client))
  const judge = (client: ClientRef, image: ImageReference) =>
    allowed.judge(find({ address: client.address, mac: deps.pulls.macOf(client) }), image, imageNames())

  function warnOfWrongImage(entry: EntryOf<'fetch-begun'>): void {
    const { image } = entry
    if (image === undefined || entry.promised === 0 || entry.rehearsal === true) return
    const verdict = judge(entry.client, image)
    if (verdict.kind !== 'wrong' || verdict.planned.length === 0) return
    const key = `${verdict.device} ${image.sha256}`
    if (warnedOf.has(key)) return
    warnedOf.add(key)
    const wrong = { ...verdict, image: image.name, address: entry.client.address }
    deps.say(`WRONG IMAGE: ${wrongImageUnderWay(wrong)}`, inPlan)
  }

  function watchReturnOf(entry: EntryOf<'fetch-ended'>): void {
    const pull = watch === undefined ? undefined : deps.pulls.pullOf(String(entry.id))
    if (pull === undefined || (pull.state !== 'complete' && pull.state !== 'unconfirmed')) return
    const address = pull.addresses?.at(-1) ?? pull.client.address
    if (!deps.isOwn(address)) watch?.pulled({ address, device: nameOf(pull.client) ?? address })
  }

  function planNow(): Plan | undefined {
    if (file.sheet === undefined) return undefined
    plan ??= planAgainstFacts({
      rows: file.sheet.rows,
      ledgers: [{ pulls: deps.pulls.pulls(), evidence: deps.evidence }],
      moved: deps.fetches(),
      present: deps.images(),
      over: false,
      macOf: (address) => deps.pulls.macOf({ address }),
      notBack,
      linkMbps: slowestLink,
    })
    return plan
  }

  return {
    /** undefined while there has been no sheet. */
    get sheet(): ReadSheet | undefined {
      return file.sheet
    },
    /** undefined without a sheet; the same object until something changes. */
    plan: planNow,
    /** What is still to be pulled, beside these that are under way; null without a sheet, or when nothing is. */
    remaining(live: readonly LivePull[]): RemainingPulls | null {
      const now = planNow()
      return now === undefined ? null : remainingPulls(now, imageNames(), live, deps.linkMbps)
    },
    /** What the fetches of the last hours may mean: guesses, of clients off the sheet too. */
    hints(): readonly Hint[] {
      const since = deps.now() - HINTS_FROM_MS
      hints ??= hintsFrom(
        deps.fetches().filter(({ begun }) => Date.parse(begun) >= since),
        slowestLink,
      )
      return hints
    },
    /** Name of the client on the sheet, else null. */
    nameOf,
    /** What a device printed, held against what is planned for it. `present`: the images in the folder. */
    matched: (found: Matched, device: string, present: readonly Image[]): DeviceMatched =>
      matchOnPlan(found, device, { rows: file.sheet?.rows, offers: deps.evidence.offers, present }),
    /** With --only-planned: why this client may not have this image; undefined when it may. */
    refusal(
      client: ClientRef,
      image: ImageReference,
    ): { readonly why: string; readonly hint: string } | undefined {
      if (!deps.onlyPlanned) return undefined
      if (file.sheet === undefined) return { why: 'there is no visit sheet', hint: HINT_NO_SHEET }
      const verdict = judge(client, image)
      if (verdict.kind === 'planned') return undefined
      if (verdict.kind === 'not on the sheet') return { why: verdict.why, hint: HINT_ROW }
      const planned = verdict.planned.length === 0 ? 'nothing is' : `${verdict.planned.join(', then ')} is`
      return { why: `${image.name} is not planned for ${verdict.device}: ${planned}`, hint: HINT_IMAGE }
    },
    /** An entry of this run has become durable, and has been applied to what pulls and standings rest on. */
    apply(entry: Entry): void {
      if (entry.kind === 'fetch-begun') warnOfWrongImage(entry)
      else if (entry.kind === 'fetch-ended') watchReturnOf(entry)
      if (file.sheet !== undefined) recordSheet(file.sheet)
      plan = undefined
      hints = undefined
    },
    /** What is on offer has changed. */
    imagesChanged(): void {
      plan = undefined
      names = undefined
    },
    /** Reads the sheet for the first time; from then on it is watched. */
    async start(): Promise<void> {
      await file.look()
      // The file went away while nobody served: what was planned is no plan any more.
      if (file.sheet === undefined && deps.sheetOnRecord() !== undefined) recordSheet(GONE_SHEET)
    },
    close(): void {
      file.close()
      watch?.close()
    },
  }
}

/** An earlier visit's troubles are not this one's. */
const HINTS_FROM_MS = 12 * 3_600_000
/** The plan says it for as long as it is so. */
const inPlan = (): boolean => false
/** More stand on the page. */
const ERRORS_SAID = 3
const HINT_NO_SHEET = 'Put visit.csv into the staging folder, or start again without --only-planned.'
const HINT_ROW = 'Give it a row in visit.csv, or start again without --only-planned.'
const HINT_IMAGE = 'Correct its row in visit.csv, or start again without --only-planned.'

function overdueText(device: string, darkMs: number, seenBefore: boolean): string {
  const minutes = Math.round(darkMs / 60_000)
  const time = minutes > 0 ? `${minutes} min` : `${Math.round(darkMs / 1_000)} s`
  return seenBefore
    ? `${device} has been dark for ${time} since its pull: look at its console.`
    : `${device} has not answered for ${time} since its pull: it may be dark, or not answer on that port.`
}
