/**
 * The record of a visit as one value: what `report` prints as HTML, JSON and CSV. Pure over what the ledgers say.
 * Several folders are one visit: their sheets are put together, a device of both keeping all its rows.
 */
import type { FetchRecord, PullRecord } from '../delivery/records.ts'
import type { EntryOf, Visit } from '../ledger/entries.ts'
import type { Struck } from '../ledger/strikes.ts'
import { type Plan, planAgainstFacts } from '../visit/plan.ts'
import { deviceKey, type PlannedRow } from '../visit/sheet-rows.ts'
import { isOpen } from '../visit/standing-names.ts'
import { strikeableWords } from '../wording/decided-words.ts'
import { refusalWords, sentence } from '../wording/refusal-words.ts'
import { standingPredicate } from '../wording/standing-words.ts'
import { siteTime } from '../wording/units.ts'
import { requestOf } from './audit-columns.ts'
import { reportImages } from './report-images.ts'
import type { FolderFacts } from './visit-facts.ts'

export type VisitReport = ReturnType<typeof visitReport>

/** `made`: RFC 3339 UTC; `version`: of the program that makes it. */
export function visitReport(
  folders: readonly FolderFacts[],
  { made, version }: { readonly made: string; readonly version: string },
) {
  const rows = mergedRows(folders)
  const served = folders.some((folder) => folder.served)
  const hasSheet = folders.some((folder) => folder.sheets.length > 0)
  const all = <T>(of: (folder: FolderFacts) => readonly T[]): T[] =>
    folders.flatMap((folder) => [...of(folder)])
  const pulls = all((folder) => folder.pulls).sort((a, b) => a.begunSeq - b.begunSeq)
  const plan = planAgainstFacts({
    rows,
    ledgers: folders,
    moved: all((folder) => folder.moved),
    over: !served,
    macOf: (address) => folders.map((folder) => folder.macOf(address)).find((mac) => mac !== null) ?? null,
  })
  const refusals = all((folder) => folder.refused.map((fetch) => refusalOf(fetch, folder)))
  const zoneOffsetMinutes = all((folder) => folder.opened).at(-1)?.zoneOffsetMinutes ?? 0
  const notDone = [
    ...ledgerTroubles(folders),
    ...(hasSheet ? planTroubles(plan, siteTime(zoneOffsetMinutes).clock) : pullTroubles(pulls)),
  ]
  return {
    made,
    version,
    /** Of the laptop's clock at the site, minutes east of UTC; times in the report are shown in it. */
    zoneOffsetMinutes,
    visit: visitDetails(all((folder) => folder.opened)),
    begun: inTime(folders.map((folder) => folder.begun))[0] ?? null,
    ended: inTime(folders.map((folder) => folder.ended)).at(-1) ?? null,
    /** A folder was still being served: nothing is final. */
    served,
    folders: folders.map(reportFolder),
    /** null where there was no visit sheet. */
    plan: hasSheet ? plan : null,
    /** All pulls, in the order they began. */
    pulls,
    images: reportImages(folders, rows, pulls),
    refusals: refusals.sort((a, b) => (a.first < b.first ? -1 : Number(a.first > b.first))),
    /** What a person recorded and took back: left out of everything above. */
    struck: all((folder) => folder.struck.map(strikeOf)),
    rehearsals: all((folder) => folder.rehearsals),
    /** What was not done, a plain sentence each; empty when the visit is complete. */
    notDone,
    complete: notDone.length === 0,
  }
}

function strikeOf({ entry, by: { at, by, reason } }: Struck) {
  return { text: strikeableWords(entry), recorded: entry.at, struck: at, by, reason }
}

/** Rows of a device that stands on several sheets: once where they are the same, else further steps. */
function mergedRows(folders: readonly FolderFacts[]): readonly PlannedRow[] {
  if (folders.length < 2) return folders[0]?.rows ?? []
  const merged: PlannedRow[] = []
  for (const folder of folders) {
    for (const row of folder.rows) {
      const same = merged.filter((other) => deviceKey(other.device) === deviceKey(row.device))
      const [first] = same
      if (first !== undefined && isAnother(first, row)) {
        merged.push({ ...row, device: `${row.device} (${folder.name})` })
      } else if (!same.some((other) => other.image === row.image && other.via === row.via)) {
        merged.push({ ...row, step: same.length + 1 })
      }
    }
  }
  return merged
}

/** Two sheets use one name for two devices. */
function isAnother(a: PlannedRow, b: PlannedRow): boolean {
  if (a.mac !== null && b.mac !== null) return a.mac !== b.mac
  return a.address !== null && b.address !== null && a.address !== b.address
}

function visitDetails(opened: readonly EntryOf<'opened'>[]): Readonly<Record<keyof Visit, string | null>> {
  const said = (key: keyof Visit): string | null => {
    const values = [...new Set(opened.map((entry) => entry.visit?.[key]?.trim() ?? ''))].filter(Boolean)
    return values.length === 0 ? null : values.join('; ')
  }
  return {
    engineer: said('engineer'),
    customer: said('customer'),
    site: said('site'),
    changeReference: said('changeReference'),
    approver: said('approver'),
  }
}

function reportFolder(folder: FolderFacts) {
  const { entries, intact, head, firstBad } = folder.ledger
  const sheet = folder.sheets.at(-1)
  return {
    name: folder.name,
    ledger: { entries, intact, head, firstBad: firstBad ?? null },
    runs: folder.opened.map(({ at, version, host, system }) => ({ at, version, host, system })),
    /** The sheet in force at the end. */
    sheet:
      sheet === undefined
        ? null
        : {
            file: sheet.file,
            sha256: sheet.sha256,
            at: sheet.at,
            rows: sheet.rows.length,
            errors: sheet.errors,
            /** How often it changed after the first time. */
            changes: folder.sheets.length - 1,
          },
    /** Times at which the server had to take up a record that had been cut off. */
    recovered: folder.recoveries.map(({ at }) => at),
  }
}

function refusalOf(fetch: FetchRecord, folder: FolderFacts) {
  const { client, status, count, begun, ended } = fetch
  return {
    address: client.address,
    mac: client.mac ?? folder.macOf(client.address),
    request: requestOf(fetch),
    status,
    reason: refusalWords(fetch),
    count,
    first: begun,
    last: ended ?? begun,
  }
}

function ledgerTroubles(folders: readonly FolderFacts[]): string[] {
  return folders.flatMap(({ name, ledger }) =>
    ledger.intact ? [] : [`The ledger of ${name} is not intact, so that what it says cannot be relied on.`],
  )
}

function planTroubles(plan: Plan, clock: (iso: string) => string): string[] {
  return plan.devices.flatMap((device) => {
    if (!isOpen(device.standing)) return []
    const planned = device.steps[device.step - 1]?.image ?? null
    const what = planned === null ? '' : ` Planned: ${planned}.`
    const { grounds } = device
    const other = grounds?.kind === 'another image' ? ` Pulled: ${grounds.image}.` : ''
    const step = device.steps.length > 1 ? `, step ${device.step} of ${device.steps.length}` : ''
    return [`${device.device}${step}: ${sentence(standingPredicate(device, clock))}${what}${other}`]
  })
}

/** Without a sheet: what each client pulled last of each image. */
function pullTroubles(pulls: readonly PullRecord[]): string[] {
  const keyOf = ({ client, image }: PullRecord): string => `${client.mac ?? client.address} ${image.sha256}`
  const last = new Map(pulls.map((pull) => [keyOf(pull), pull]))
  return [...last.values()].flatMap(({ client, image, state }) =>
    state === 'complete' ? [] : [`${client.address}: the pull of ${image.name} is ${state}.`],
  )
}

function inTime(times: readonly (string | null)[]): string[] {
  return times.filter((time) => time !== null).sort()
}
