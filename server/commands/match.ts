/** `fetchproof match`: which image the digests belong to that a device printed. Reads only, unless --device is given. */
import { existsSync } from 'node:fs'
import { open } from 'node:fs/promises'
import { join } from 'node:path'
import { userName } from '../depot/depot.ts'
import { FetchproofError, systemCode, usageError } from '../errors.ts'
import type { EntryOf } from '../ledger/entries.ts'
import { LEDGER_FILE } from '../ledger/read.ts'
import type { ImageView } from '../report/image-view.ts'
import { visitFacts } from '../report/visit-facts.ts'
import { createSettings, type Settings } from '../settings.ts'
import { type Image, referenceOf } from '../staging/image.ts'
import { algorithmOfDigits } from '../trust/digests/algorithm.ts'
import { decodeText } from '../trust/digests/text.ts'
import type { Matched, MatchFinding } from '../trust/matching/finding.ts'
import { MOST_MATCH_CHARACTERS, matchInCatalogue } from '../trust/matching/printed-text.ts'
import { matchOnPlan } from '../visit/match-on-plan.ts'
import { createVisitEvidence } from '../visit/visit-evidence.ts'
import { visible } from '../wording/visible.ts'
import { EXIT } from './exit.ts'
import type { HostProcess } from './host-process.ts'
import type { RecordingFlags } from './options.ts'
import { printAnswer } from './printing.ts'
import { createProgress } from './progress.ts'
import { type RunningServer, runningServer } from './running-server.ts'
import { sheetInFolder } from './sheet-in-folder.ts'
import { withCatalogue } from './unserved-folder.ts'
import { withLedger } from './unserved-ledger.ts'

export interface MatchFlags extends RecordingFlags {
  readonly file?: string
  readonly device?: string
}

/** What a device printed of what it stored, as it goes on record. */
type Observation = Required<Pick<EntryOf<'observed'>, 'device' | 'by' | 'digest'>>

type Compared = Awaited<ReturnType<typeof compareThere>>

export async function match(
  argument: string | undefined,
  flags: MatchFlags,
  around: HostProcess,
): Promise<number> {
  const { folder, records, format } = flags
  const device = flags.device?.trim()
  if (device === '') throw usageError('--device needs the name of a device.')
  if (flags.by !== undefined && device === undefined) {
    throw usageError('--by goes with --device: without a device nothing is recorded.')
  }
  const settings = createSettings({ folder, records })
  const text = await textFrom(argument, flags.file, around)
  const server = await runningServer(settings.records)
  const compared =
    server === undefined
      ? await compareHere(text, device, settings, around)
      : await compareThere(text, device, server)
  const kept = device === undefined ? [] : observations(compared, device, (flags.by ?? userName()).trim())
  if (kept.length > 0) await record(kept, settings.records, server)
  const { matched } = compared
  printAnswer(around, format, { ...matched, recorded: kept.length }, () => [
    ...matchLines(matched),
    ...keptLines(kept, device),
  ])
  return matched.matched ? EXIT.done : EXIT.checkFailed
}

async function compareThere(text: string, device: string | undefined, server: RunningServer) {
  const asked = { text, device }
  const matched =
    text.trim() === '' ? NOTHING_THERE : ((await server.ask('POST', '/api/match', asked)) as Matched)
  const { images } = (await server.ask('GET', '/api/images')) as { images: readonly ImageView[] }
  const references = images.flatMap(({ name, plainPath, bytes, sha256 }) =>
    sha256 === null ? [] : [{ name, plainPath, bytes, sha256 }],
  )
  return {
    matched,
    /** By name, for the images that findings name. */
    references: new Map(references.map((reference) => [reference.name, reference])),
  }
}

/** The API takes no empty text; what is said of one is the same everywhere. */
const NOTHING_THERE: Matched = {
  matched: false,
  findings: [],
  more: 0,
  notCompared: [],
  words: 'There is no text. Paste the lines in which the device prints the checksum of the file it stored.',
}

function compareHere(
  text: string,
  device: string | undefined,
  settings: Settings,
  around: HostProcess,
): Promise<Compared> {
  if (text.trim() === '') return Promise.resolve({ matched: NOTHING_THERE, references: new Map() })
  return withCatalogue(settings, around, async (catalogue) => {
    const progress = createProgress(around.stderr)
    try {
      const found = await matchInCatalogue(text, catalogue, (share) => progress.show(share, 'comparing'))
      const present = catalogue.images()
      const matched = device === undefined ? found : await onPlan(found, device, present, settings)
      const known = present.filter(({ version }) => version !== undefined)
      return { matched, references: new Map(known.map((image) => [image.name, referenceOf(image)])) }
    } finally {
      progress.end()
    }
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
  const ledger = join(records, LEDGER_FILE)
  const [facts] = existsSync(ledger) ? await visitFacts([ledger]) : []
  const { offers } = facts?.evidence ?? createVisitEvidence()
  return matchOnPlan(found, device, { rows: sheet?.rows, offers, present })
}

/** Whole digests, whether they match or not; what is cut short or mistyped is to be read off again. */
function observations({ matched, references }: Compared, device: string, by: string): Observation[] {
  return matched.findings.flatMap((finding) => {
    const algorithm = algorithmToKeep(finding)
    if (algorithm === undefined) return []
    const image = finding.image === null ? undefined : references.get(finding.image)
    const digest = { algorithm, value: finding.value, ...(image !== undefined && { image }) }
    return [{ device, by, digest }]
  })
}

function algorithmToKeep({ outcome, algorithm, counts, value }: MatchFinding): string | undefined {
  if (outcome === 'match') return algorithm ?? undefined
  return outcome === 'none' && counts ? algorithmOfDigits(value.length) : undefined
}

async function record(
  kept: readonly Observation[],
  records: string,
  server: RunningServer | undefined,
): Promise<void> {
  if (server !== undefined) {
    for (const { digest, ...observed } of kept) {
      const { image, ...rest } = digest
      const named = image === undefined ? {} : { image: image.name }
      await server.ask('POST', '/api/observed', { ...observed, digest: { ...rest, ...named } })
    }
    return
  }
  await withLedger(records, (ledger) => {
    for (const observation of kept) ledger.append({ kind: 'observed', ...observation })
  })
}

/** Throws FP_USAGE when it cannot be read or is longer than any device prints. */
async function textFrom(
  argument: string | undefined,
  file: string | undefined,
  around: HostProcess,
): Promise<string> {
  if (argument !== undefined && file !== undefined) {
    throw usageError('Give either the text or --file, not both.')
  }
  const text = argument ?? decodeText(file === undefined ? await typed(around) : await fileBytes(file))
  if (text.length > MOST_MATCH_CHARACTERS) throw tooLong()
  return text
}

/** UTF-16 takes two bytes a character, other text up to three. */
const MOST_BYTES = MOST_MATCH_CHARACTERS * 3

async function typed({ stdin, stderr }: HostProcess): Promise<Buffer> {
  if (stdin.isTTY) {
    const end = process.platform === 'win32' ? 'Ctrl-Z and Enter' : 'Ctrl-D'
    stderr.write(`Paste what the device printed, then press ${end} on a line of its own:\n`)
  }
  const pieces: Buffer[] = []
  let bytes = 0
  for await (const piece of stdin) {
    const buffer = Buffer.from(piece as Buffer)
    bytes += buffer.length
    if (bytes > MOST_BYTES) throw tooLong()
    pieces.push(buffer)
  }
  return Buffer.concat(pieces)
}

async function fileBytes(file: string): Promise<Buffer> {
  try {
    const handle = await open(file, 'r')
    try {
      if ((await handle.stat()).size > MOST_BYTES) throw tooLong()
      return await handle.readFile()
    } finally {
      await handle.close()
    }
  } catch (error) {
    if (error instanceof FetchproofError || systemCode(error) === undefined) throw error
    throw usageError(
      `--file ${file} cannot be read (${systemCode(error)}). Name the file with the device's output.`,
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

function keptLines(kept: readonly Observation[], device: string | undefined): string[] {
  if (device === undefined) return []
  if (kept.length === 0) return ['', `Nothing was recorded for ${visible(device)}: there is no whole digest.`]
  const digests = kept.length === 1 ? 'the digest' : `${kept.length} digests`
  return ['', `Recorded as what ${visible(device)} printed: ${digests}.`]
}
