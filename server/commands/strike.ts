/** `fetchproof strike`: a person takes back what was recorded by mistake. The ledger keeps both. */
import { userName } from '../depot/image-records.ts'
import { usageError } from '../errors.ts'
import { readEntries } from '../ledger/read.ts'
import { createStrikes, type Strikeable } from '../ledger/strikes.ts'
import { createSettings } from '../settings.ts'
import { strikeableWords } from '../wording/decided-words.ts'
import { timeText } from '../wording/units.ts'
import { visible } from '../wording/visible.ts'
import { EXIT } from './exit.ts'
import { ledgerFileOf, withLedger } from './folder-ledger.ts'
import type { RecordingFlags } from './options.ts'
import { type HostProcess, printAnswer } from './printing.ts'
import { runningServer } from './running-server.ts'

type StrikeFlags = RecordingFlags & { readonly reason?: string }

export async function strike(
  seq: number | undefined,
  { folder, reason, by = userName(), format, ...flags }: StrikeFlags,
  around: HostProcess,
): Promise<number> {
  const { records } = createSettings({ folder, records: flags.records })
  const file = ledgerFileOf(folder, records)
  if (seq === undefined) {
    if (reason !== undefined) throw usageError('Say which entry is struck, by its number.')
    const strikeable = (await strikesIn(file)).strikeable()
    printAnswer(around, format, { strikeable }, () => listLines(strikeable))
    return EXIT.done
  }
  const decision = { reason: (reason ?? '').trim(), by: by.trim() }
  if (decision.reason === '') throw usageError('Say why with --reason: it stands in the ledger for good.')
  const entry = await struck(seq, decision, file, records)
  printAnswer(around, format, { struck: entry, ...decision }, () => [
    `Struck: ${visible(strikeableWords(entry))}`,
    `By ${visible(decision.by)} (${visible(decision.reason)}). Both stay in the ledger; nothing is concluded from it any more.`,
  ])
  return EXIT.done
}

/** Throws FP_NOT_STRIKEABLE, and the errors of ledger and running server. */
async function struck(
  seq: number,
  decision: { reason: string; by: string },
  file: string,
  records: string,
): Promise<Strikeable> {
  const server = await runningServer(records)
  if (server !== undefined) {
    const entry = (await strikesIn(file)).check(seq)
    await server.ask('POST', '/api/strike', { seq, ...decision })
    return entry
  }
  const strikes = createStrikes()
  return withLedger({ records, onEntry: strikes.apply }, (ledger) => {
    const entry = strikes.check(seq)
    ledger.append({ kind: 'struck', strikes: seq, ...decision })
    return entry
  })
}

async function strikesIn(file: string): Promise<ReturnType<typeof createStrikes>> {
  const strikes = createStrikes()
  for await (const batch of readEntries(file)) for (const entry of batch) strikes.apply(entry)
  return strikes
}

function listLines(entries: readonly Strikeable[]): string[] {
  if (entries.length === 0) {
    return ['Nothing can be struck: no observation, pasted checksum or lift stands on record.']
  }
  const width = String(entries.at(-1)?.seq ?? '').length
  const lineOf = (entry: Strikeable): string =>
    `${String(entry.seq).padStart(width)}  ${timeText(entry.at)}  ${visible(strikeableWords(entry))}`
  return [...entries.map(lineOf), 'Strike one with:', '  fetchproof strike NUMBER --reason "why"']
}
