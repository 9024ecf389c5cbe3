/** `fetchproof observe`: what a person saw at a device, on record: versions before and after, a note. */
import { text as allText } from 'node:stream/consumers'
import { userName } from '../depot/image-records.ts'
import { FetchproofError, usageError } from '../errors.ts'
import type { NewEntryOf } from '../ledger/entries.ts'
import { lastEntryOf } from '../ledger/read.ts'
import { createSettings, type Settings } from '../settings.ts'
import { createDeviceFinder } from '../visit/device-finder.ts'
import { rowsOnRecord } from '../visit/sheet-entry.ts'
import { deviceKey } from '../visit/sheet-rows.ts'
import { versionToRecord } from '../visit/version-finding.ts'
import { compareVersions } from '../visit/version-order.ts'
import { visible } from '../wording/visible.ts'
import { EXIT } from './exit.ts'
import { ledgersIn, withLedger } from './folder-ledger.ts'
import type { RecordingFlags } from './options.ts'
import { type HostProcess, printAnswer } from './printing.ts'
import { runningServer } from './running-server.ts'

interface ObserveFlags extends RecordingFlags {
  readonly before?: string
  readonly after?: string
  readonly note?: string
}

type Observation = Omit<NewEntryOf<'observed'>, 'kind' | 'digest'>

export async function observe(
  device: string,
  { folder, records, format, ...said }: ObserveFlags,
  around: HostProcess,
): Promise<number> {
  const settings = createSettings({ folder, records })
  const observed = await observationOf(device.trim(), said, around)
  await record(observed, settings)
  const remarks = await remarksOn(observed, settings)
  printAnswer(around, format, { observed, remarks }, () => [recordedLine(observed), ...remarks].map(visible))
  return EXIT.done
}

async function observationOf(
  device: string,
  { by = userName(), before, after, note = '' }: Omit<ObserveFlags, 'folder' | 'format'>,
  { stdin }: HostProcess,
): Promise<Observation> {
  if (device === '') throw usageError('Name the device, as on the visit sheet or by its address.')
  if (before === undefined && after === undefined && note.trim() === '') {
    throw usageError('Say what was observed: --before VERSION, --after VERSION or --note TEXT.')
  }
  if (before === '-' && after === '-')
    throw usageError('Only one of --before and --after can read standard input.')
  return {
    device,
    by: by.trim(),
    before: await versionIn(before, '--before', stdin),
    after: await versionIn(after, '--after', stdin),
    ...(note.trim() !== '' && { note: note.trim() }),
  }
}

/** A version as it was typed, or the one in text that a device printed. */
async function versionIn(
  given: string | undefined,
  flag: string,
  stdin: HostProcess['stdin'],
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

async function record(observed: Observation, { folder, records }: Settings): Promise<void> {
  const server = await runningServer(records)
  if (server !== undefined) {
    await server.ask('POST', '/api/observed', observed)
    return
  }
  // A mistyped folder must not get a ledger of its own.
  if (ledgersIn(records).length === 0) throw new FetchproofError('FP_LEDGER_MISSING', { folder })
  await withLedger({ records }, (ledger) => ledger.append({ kind: 'observed', ...observed }))
}

/** What the sheet says to that: a mistyped name, a version that is not the planned one. */
async function remarksOn({ device, after }: Observation, { records }: Settings): Promise<string[]> {
  const [ledger] = ledgersIn(records)
  const sheet = ledger === undefined ? undefined : await lastEntryOf(ledger, 'sheet')
  if (sheet === undefined) return []
  const rows = rowsOnRecord(sheet)
  const name = createDeviceFinder(rows).named(device)
  if (name === null) {
    return [`${device} is not on the visit sheet; it is recorded all the same. Check the name.`]
  }
  const own = rows.filter((row) => deviceKey(row.device) === deviceKey(name))
  const target = own.findLast((row) => row.versionTarget !== null)?.versionTarget
  if (after === undefined || target == null || compareVersions(target, after) === 'same') return []
  return [`The planned version is ${target}.`]
}

function recordedLine({ device, by, before, after, note }: Observation): string {
  const parts = [
    ...(before === undefined ? [] : [`version before ${before}`]),
    ...(after === undefined ? [] : [`version after ${after}`]),
    ...(note === undefined ? [] : [`note: ${note}`]),
  ]
  return `Recorded for ${device}: ${parts.join(', ')} (observed by ${by}).`
}
