/** `fetchproof serve`: offers a staging folder until it is told to stop. */
import { pino } from 'pino'
import pretty from 'pino-pretty'
import { isFetchproofError } from '../../errors.ts'
import type { Entry } from '../../ledger/entries.ts'
import { createSettings, type Settings, type SettingsInput } from '../../settings.ts'
import { bytesText } from '../../wording/units.ts'
import { visible } from '../../wording/visible.ts'
import { EXIT } from '../exit.ts'
import { type HostProcess, jsonText, print, STOP_SIGNALS, type Tone } from '../printing.ts'
import { closingWords } from './closing-words.ts'
import { timedLine, WORDS_FROM } from './entry-lines.ts'
import { keepAwake } from './keep-awake.ts'
import { createLiveView } from './live-view.ts'
import { openInBrowser } from './open-in-browser.ts'
import { createOverview } from './overview.ts'
import { startServing } from './serving.ts'
import { showInWords } from './serving-words.ts'
import { logSteps } from './step-log.ts'

type ServeFlags = Partial<Omit<SettingsInput, 'folder'>> & { readonly format: 'text' | 'json' }

export async function serve(
  folder: string,
  { format, ...flags }: ServeFlags,
  around: HostProcess,
): Promise<number> {
  const settings = createSettings({ folder, ...flags })
  // From now on, so that stopping while it starts is as orderly as later.
  const stopped = nextSignal(around)
  const log = createLog(around)
  const serving = await startServing(
    settings,
    (error) => log.error(error),
    format === 'json' ? (entries) => printEntries(around, entries) : undefined,
  ).catch((error: unknown) => servedAlready(settings, error, around))
  if (serving === undefined) return EXIT.done
  logSteps(serving.depot, log)
  const view = createLiveView(around)
  const overview = createOverview(serving.depot)
  const remark = (sentence: string): void => {
    if (format === 'json') print(around, [sentence], around.stderr)
    else view.print(timedLine(new Date().toISOString(), 'note', sentence), 'plain', WORDS_FROM)
  }
  if (format === 'text') showInWords(serving, view, overview)
  else {
    remark(`Rehearsal code, for "fetchproof rehearse" on another laptop: ${serving.depot.rehearsals.code}`)
    for (const sentence of serving.remarks) remark(sentence)
    for (const { message } of serving.depot.troubles()) remark(message)
    serving.depot.events.on('trouble', remark)
  }
  const awake = settings.keepAwake ? keepAwake({ onLost: remark }) : undefined
  void awake?.outcome.then(remark)
  if (settings.open && serving.pageAddress !== undefined) void openInBrowser(serving.pageAddress, remark)
  const signal = await stopped
  awake?.stop()
  const { depot } = serving
  const say = (line: string, tone?: Tone): void => {
    if (format === 'text') view.print(line, tone)
  }
  const active = depot.delivery.underWay.list()
  // Where the terminal is gone nobody can press again, and Windows allows some seconds only.
  if (active.length > 0 && signal !== 'SIGHUP') {
    const words = `new requests are refused; ${active.length} in progress. Press Ctrl-C again to cut them off.`
    say(timedLine(new Date().toISOString(), 'stopping', words), 'strong')
    // On a terminal its foot has them.
    for (const { client, image, promised, fetch } of view.columns === undefined ? active : []) {
      say(
        `  ${client.address}  ${visible(image.name)}  ${bytesText(fetch.bytesHandedOver)} of ${bytesText(promised)} bytes`,
      )
    }
    await Promise.race([serving.windDown(), nextSignal(around)])
  }
  await serving.close(signal)
  view.end()
  for (const [line, tone] of closingWords(overview.board(), depot)) say(line, tone)
  return EXIT.done
}

/** Where the folder is served already, its page is what --open asks for; every other failure is thrown on. */
async function servedAlready(
  settings: Settings,
  error: unknown,
  { stdout }: HostProcess,
): Promise<undefined> {
  const isHeld = isFetchproofError(error, 'FP_LEDGER_HELD')
  // It asks by HTTP: no other start needs a client for that.
  const page =
    isHeld && settings.open
      ? await (await import('../running-server.ts')).servedPage(settings.records)
      : undefined
  if (page === undefined) throw error
  stdout.write(`This folder is being served already (process ${page.pid}). Its bench page: ${page.address}\n`)
  if (!(await openInBrowser(page.address, (sentence) => void stdout.write(`${sentence}\n`)))) throw error
}

/** The program's own log, to standard error; FETCHPROOF_LOG sets its level. */
function createLog({ env, stderr }: HostProcess): pino.Logger {
  const options = { name: 'fetchproof', level: env.FETCHPROOF_LOG ?? 'warn' }
  if (stderr.isTTY !== true) return pino(options, stderr)
  return pino(options, pretty({ sync: true, destination: 2, colorize: env.NO_COLOR === undefined }))
}

function printEntries({ stdout }: HostProcess, entries: readonly Entry[]): void {
  // Escaped as in the ledger: some programs (Node.js 24's readline) end a line at U+2028 and U+2029 too.
  stdout.write(entries.map((entry) => `${jsonText(entry)}\n`).join(''))
}

/** The name of the next signal to stop. To the very end of the process others are passed over: closing goes on. */
function nextSignal(around: HostProcess): Promise<string> {
  return new Promise((told) => {
    for (const name of STOP_SIGNALS) around.on(name, () => told(name))
  })
}
