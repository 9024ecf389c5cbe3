/** `fetchproof observe`: what a person saw at a device, on record: versions before and after, a note. */
import { existsSync } from 'node:fs'
import { join } from 'node:path'
import { text as allText } from 'node:stream/consumers'
import { userName } from '../depot/depot.ts'
import { FetchproofError, usageError } from '../errors.ts'
import type { NewEntryOf } from '../ledger/entries.ts'
import { LEDGER_FILE, lastEntryOf } from '../ledger/read.ts'
import { createSettings, type Settings } from '../settings.ts'
import { rowsOnRecord } from '../visit/sheet-entry.ts'
import { deviceKey, type PlannedRow } from '../visit/sheet-rows.ts'
import { versionToRecord } from '../visit/version-finding.ts'
import { compareVersions } from '../visit/version-order.ts'
import { visible } from '../wording/visible.ts'
import { EXIT } from './exit.ts'
import type { HostProcess } from './host-process.ts'
import type { RecordingFlags } from './options.ts'
import { printAnswer } from './printing.ts'
import { runningServer } from './running-server.ts'
import { withLedger } from './unserved-ledger.ts'

export interface ObserveFlags extends RecordingFlags {
  readonly before?: string
  readonly after?: string
  readonly note?: string
}

export async function observe(
  device: string,
  { folder, records, ...flags }: ObserveFlags,
  around: HostProcess,
): Promise<number> {
  const settings = createSettings({ folder, records })
  const observation = await observationOf(device, flags, around)
  await record(observation, settings)
  const remarks = await remarksOn(observation, settings)
  const { kind: _kind, ...observed } = observation
  printAnswer(around, flags.format, { observed, remarks }, () =>
    [recordedLine(observation), ...remarks].map(visible),
  )
  return EXIT.done
}

type Observation = Omit<NewEntryOf<'observed'>, 'digest'>

async function observationOf(
  named: string,
  flags: Omit<ObserveFlags, 'folder' | 'format'>,
  around: HostProcess,
): Promise<Observation> {
  const device = named.trim()
  const { note } = flags
  if (device === '') throw usageError('Name the device, as on the visit sheet or by its address.')
  if (flags.before === undefined && flags.after === undefined && (note?.trim() ?? '') === '') {
    throw usageError('Say what was observed: --before VERSION, --after VERSION or --note TEXT.')
  }
  if (flags.before === '-' && flags.after === '-')
    throw usageError('Only one of --before and --after can read standard input.')
  const before = await versionIn(flags.before, '--before', around)
  const after = await versionIn(flags.after, '--after', around)
  return {
    kind: 'observed',
    device,
    by: (flags.by ?? userName()).trim(),
    before,
    after,
    ...(note !== undefined && note.trim() !== '' && { note: note.trim() }),
  }
}

/** A version as it was typed, or the one in text that a device printed. */
async function versionIn(
  given: string | undefined,
  flag: string,
  { stdin }: HostProcess,
): Promise<string | undefined> {
  if (given === undefined) return undefined
  const said = (given === '-' ? await allText(stdin) : given).trim()
  if (said === '') throw usageError(`${flag} is empty.`)
  const version = versionToRecord(said)
  if (version === undefined)
    throw usageError(
      `No version was found in the text of ${flag}. Type the version itself; a digest is none.`,
    )
  return version
}

async function record(observation: Observation, settings: Settings): Promise<void> {
  const server = await runningServer(settings.records)
  if (server === undefined) {
    // A mistyped folder must not get a ledger of its own.
    if (!existsSync(join(settings.records, LEDGER_FILE))) {
      throw new FetchproofError('FP_LEDGER_MISSING', { folder: settings.folder })
    }
    await withLedger(settings.records, (ledger) => ledger.append(observation))
    return
  }
  const { kind: _kind, ...body } = observation
  await server.ask('POST', '/api/observed', body)
}

/** What the sheet says to that: a mistyped name, a version that is not the planned one. */
async function remarksOn(observation: Observation, settings: Settings): Promise<string[]> {
  const ledger = join(settings.records, LEDGER_FILE)
  const sheet = await lastEntryOf(ledger, 'sheet')
  if (sheet === undefined) return []
  const { device, after } = observation
  const all = rowsOnRecord(sheet)
  const rows = all.filter((row) => isNamed(row, device))
  if (rows.length === 0) {
    return [`${device} is not on the visit sheet; it is recorded all the same. Check the name.`]
  }
  const target = rows.findLast((row) => row.versionTarget !== null)?.versionTarget
  if (after === undefined || target == null || compareVersions(target, after) === 'same') return []
  return [`The planned version is ${target}.`]
}

function isNamed(row: PlannedRow, device: string): boolean {
  return (
    deviceKey(row.device) === deviceKey(device) || row.address === device || row.mac === device.toLowerCase()
  )
}

function recordedLine({ device, by, before, after, note }: Observation): string {
  const parts = [
    ...(before === undefined ? [] : [`version before ${before}`]),
    ...(after === undefined ? [] : [`version after ${after}`]),
    ...(note === undefined ? [] : [`note: ${note}`]),
  ]
  return `Recorded for ${device}: ${parts.join(', ')} (observed by ${by}).`
}
