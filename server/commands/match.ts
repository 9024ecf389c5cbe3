/** `fetchproof match`: which image the digests belong to that a device printed. Reads only, unless --device is given. */
import { createReadStream } from 'node:fs'
import { userName } from '../depot/image-records.ts'
import { FetchproofError, systemCode, usageError } from '../errors.ts'
import { visitFacts } from '../report/visit-facts.ts'
import { createSettings, type Settings } from '../settings.ts'
import { type Image, referenceOf } from '../staging/image.ts'
import { algorithmOfDigits } from '../trust/digests/algorithm.ts'
import { decodeText } from '../trust/digests/text-decoding.ts'
import type { Matched } from '../trust/matching/match-finding.ts'
import { MOST_MATCH_CHARACTERS, matchInCatalogue } from '../trust/matching/printed-text.ts'
import { matchOnPlan } from '../visit/match-on-plan.ts'
import { createVisitEvidence } from '../visit/visit-evidence.ts'
import { visible } from '../wording/visible.ts'
import { EXIT } from './exit.ts'
import { sheetInFolder, withCatalogue } from './folder-content.ts'
import { ledgersIn, withLedger } from './folder-ledger.ts'
import type { RecordingFlags } from './options.ts'
import { createProgress, type HostProcess, printAnswer } from './printing.ts'
import { type RunningServer, runningServer } from './running-server.ts'

interface MatchFlags extends RecordingFlags {
  readonly file?: string
  readonly device?: string
}

/** What was printed, by which device, and who says so: with a device its digests go on record. */
interface Printed {
  readonly text: string
  readonly device: string | undefined
  readonly by: string
}

export async function match(
  argument: string | undefined,
  { folder, records, file, device: named, by, format }: MatchFlags,
  around: HostProcess,
): Promise<number> {
  const device = named?.trim()
  if (device === '') throw usageError('--device needs the name of a device.')
  if (by !== undefined && device === undefined) {
    throw usageError('--by goes with --device: without a device nothing is recorded.')
  }
  const settings = createSettings({ folder, records })
  const text = await textFrom(argument, file, around)
  const printed = { text, device, by: (by ?? userName()).trim() }
  const server = await runningServer(settings.records)
  const matched = await (text.trim() === ''
    ? NOTHING_THERE
    : server === undefined
      ? matchHere(printed, settings, around)
      : matchThere(printed, server))
  const recorded = device === undefined ? 0 : wholeDigests(matched).length
  printAnswer(around, format, { ...matched, recorded }, () => [
    ...matchLines(matched),
    ...(device === undefined ? [] : ['', recordedLine(recorded, device)]),
  ])
  return matched.matched ? EXIT.done : EXIT.checkFailed
}

/** The API takes no empty text; what is said of one is the same everywhere. */
const NOTHING_THERE: Matched = {
  matched: false,
  findings: [],
  more: 0,
  notCompared: [],
  words: 'There is no text. Paste the lines in which the device prints the checksum of the file it stored.',
}

async function matchThere({ text, device, by }: Printed, { ask }: RunningServer): Promise<Matched> {
  const matched = (await ask('POST', '/api/match', { text, device })) as Matched
  if (device === undefined) return matched
  for (const digest of wholeDigests(matched)) await ask('POST', '/api/observed', { device, by, digest })
  return matched
}

function matchHere({ text, device, by }: Printed, settings: Settings, around: HostProcess): Promise<Matched> {
  return withCatalogue({ settings, around }, async (catalogue) => {
    const progress = createProgress(around.stderr)
    const found = await matchInCatalogue(text, catalogue, (share) =>
      progress.show(share, 'comparing'),
    ).finally(progress.end)
    if (device === undefined) return found
    const matched = await onPlan(found, device, catalogue.images(), settings)
    const kept = wholeDigests(matched)
    if (kept.length === 0) return matched
    await withLedger({ records: settings.records }, (ledger) => {
      for (const { image, ...digest } of kept) {
        const known = image === undefined ? undefined : catalogue.get(image)
        const named = known === undefined ? digest : { ...digest, image: referenceOf(known) }
        ledger.append({ kind: 'observed', device, by, digest: named })
      }
    })
    return matched
  })
}

/** By the sheet in the folder, and what was on offer by the ledger where there is one. */
async function onPlan(
  found: Matched,
  device: string,
  present: readonly Image[],
  { folder, records }: Settings,
): Promise<Matched> {
  const { sheet } = await sheetInFolder(folder)
  const [facts] = await visitFacts(ledgersIn(records))
  const { offers } = facts?.evidence ?? createVisitEvidence()
  return matchOnPlan(found, device, { rows: sheet?.rows, offers, present })
}

interface WholeDigest {
  readonly algorithm: string
  readonly value: string
  /** The image that it is the digest of, by name. */
  readonly image?: string
}

/** Whether they match or not; what is cut short or mistyped is to be read off again. */
function wholeDigests({ findings }: Matched): WholeDigest[] {
  return findings.flatMap(({ outcome, algorithm, image, counts, value }): WholeDigest[] => {
    if (outcome === 'match' && algorithm !== null && image !== null) return [{ algorithm, value, image }]
    const guessed = outcome === 'none' && counts ? algorithmOfDigits(value.length) : undefined
    return guessed === undefined ? [] : [{ algorithm: guessed, value }]
  })
}

/** Throws FP_USAGE when it cannot be read or is longer than any device prints. */
async function textFrom(
  argument: string | undefined,
  file: string | undefined,
  { stdin, stderr }: HostProcess,
): Promise<string> {
  if (argument !== undefined && file !== undefined) {
    throw usageError('Give either the text or --file, not both.')
  }
  if (argument === undefined && file === undefined && stdin.isTTY) {
    const end = process.platform === 'win32' ? 'Ctrl-Z and Enter' : 'Ctrl-D'
    stderr.write(`Paste what the device printed, then press ${end} on a line of its own:\n`)
  }
  const text = argument ?? decodeText(await (file === undefined ? bytesOf(stdin) : bytesIn(file)))
  if (text.length > MOST_MATCH_CHARACTERS) throw tooLong()
  return text
}

/** UTF-16 takes two bytes a character, other text up to three. */
const MOST_BYTES = MOST_MATCH_CHARACTERS * 3

async function bytesOf(stream: NodeJS.ReadableStream): Promise<Buffer> {
  const pieces: Buffer[] = []
  let bytes = 0
  for await (const piece of stream) {
    const buffer = Buffer.from(piece)
    bytes += buffer.length
    if (bytes > MOST_BYTES) throw tooLong()
    pieces.push(buffer)
  }
  return Buffer.concat(pieces)
}

async function bytesIn(file: string): Promise<Buffer> {
  try {
    return await bytesOf(createReadStream(file))
  } catch (error) {
    const code = systemCode(error)
    if (error instanceof FetchproofError || code === undefined) throw error
    throw usageError(
      `--file ${file} cannot be read (${code}). Name the file with the device's output.`,
      error,
    )
  }
}

function tooLong(): FetchproofError {
  return usageError(
    `The text is longer than ${MOST_MATCH_CHARACTERS} characters. Give only the part in which the device prints the checksum.`,
  )
}

/** What it comes to first, then each digest. */
function matchLines({ findings, more, notCompared, words }: Matched): string[] {
  const told = findings.flatMap(({ outcome, line, value, words: sentence, counts }) => [
    `${counts ? OUTCOME_WORDS[outcome] : 'NOT COUNTED'}  line ${line}: ${value}`,
    `    ${visible(sentence)}`,
  ])
  return [
    visible(words),
    ...notCompared.map((name) => `Not compared: ${visible(name)}, whose digests are not known yet.`),
    ...(told.length > 0 ? [''] : []),
    ...told,
    ...(more > 0 ? [`… and ${more} more`] : []),
  ]
}

const OUTCOME_WORDS = {
  match: 'MATCH',
  'cut short': 'CUT SHORT',
  mistyped: 'MISTYPED',
  none: 'NO MATCH',
} as const

function recordedLine(recorded: number, device: string): string {
  if (recorded === 0) return `Nothing was recorded for ${visible(device)}: there is no whole digest.`
  const digests = recorded === 1 ? 'the digest' : `${recorded} digests`
  return `Recorded as what ${visible(device)} printed: ${digests}.`
}
