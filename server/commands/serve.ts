/** `fetchproof serve`: offers a staging folder until it is told to stop. */
import { type Command, Option } from 'commander'
import { pino } from 'pino'
import pretty from 'pino-pretty'
import type { Entry } from '../ledger/entries.ts'
import { bytesText } from '../report/units.ts'
import { visible } from '../report/visible.ts'
import { createSettings, DEFAULTS, type SettingsInput } from '../settings.ts'
import { EXIT } from './exit.ts'
import { keepAwake } from './keep-awake.ts'
import { createLiveView } from './live-view.ts'
import { openInBrowser } from './open-in-browser.ts'
import { collected, DEFAULT_FOLDER, formatOption, recordsOption, wholeNumber } from './options.ts'
import { startServing } from './serving.ts'
import { showInWords } from './serving-words.ts'
import type { Surroundings } from './surroundings.ts'

type ServeFlags = Partial<Omit<SettingsInput, 'folder'>> & { format: 'text' | 'json' }

export function addServe(program: Command, around: Surroundings, settle: (status: number) => void): void {
  program
    .command('serve')
    .description('Serve the images of a staging folder to devices, and record every fetch.')
    .argument('[folder]', 'the staging folder', DEFAULT_FOLDER)
    .option('--listen <address>', 'listen on this address only (may be given several times)', collected)
    .option(
      '--port <number>',
      'the only image port (default: 8080, and 80 too where the system allows it)',
      wholeNumber,
    )
    .option(
      '--page-port <number>',
      `port of the bench page, loopback only (default: ${DEFAULTS.pagePort})`,
      wholeNumber,
    )
    .option('--no-page', 'no bench page; the local API stays')
    .option(
      '--allow <range>',
      'who may fetch, instead of private and own networks (several times)',
      collected,
    )
    .option('--allow-tunnels', 'also serve what arrives over a tunnel interface')
    .option('--list', 'offer /SHA256SUMS')
    .option('--max-fetches <number>', `fetches at once (default: ${DEFAULTS.maxFetches})`, wholeNumber)
    .option(
      '--settle-ms <ms>',
      `quiet time before a file is read (default: ${DEFAULTS.settleMs})`,
      wholeNumber,
    )
    .option(
      '--settle-unsure-ms <ms>',
      `quiet time of a fresh file that nothing vouches for (default: ${DEFAULTS.settleUnsureMs})`,
      wholeNumber,
    )
    .option(
      '--paste <line>',
      'a line to paste, with {url} {host} {port} {path} {name} {bytes} {sha256} {md5}',
      collected,
    )
    .option('--only-planned', 'refuse an image that visit.csv does not plan for the device')
    .option(
      '--watch-return',
      'after a pull, connect to the device now and then: when it goes dark, when it is back',
    )
    .option(
      '--watch-return-port <number>',
      `port that --watch-return connects to (default: ${DEFAULTS.watchReturnPort})`,
      wholeNumber,
    )
    .option('--keep-awake', 'ask the system not to sleep while serving')
    .option('--open', 'open the bench page in the browser')
    .addOption(recordsOption())
    .addOption(formatOption('text', 'json'))
    .addOption(new Option('--linger-ms <ms>').argParser(wholeNumber).hideHelp())
    .addOption(new Option('--pause-ms <ms>').argParser(wholeNumber).hideHelp())
    .addOption(new Option('--request-ms <ms>').argParser(wholeNumber).hideHelp())
    .addOption(new Option('--rescan-ms <ms>').argParser(wholeNumber).hideHelp())
    .addOption(new Option('--stalled-ms <ms>').argParser(wholeNumber).hideHelp())
    .addOption(new Option('--watch-return-every-ms <ms>').argParser(wholeNumber).hideHelp())
    .addOption(new Option('--not-back-ms <ms>').argParser(wholeNumber).hideHelp())
    .action(async (folder: string, flags: ServeFlags) => {
      settle(await serve(folder, flags, around))
    })
}

async function serve(
  folder: string,
  { format, ...flags }: ServeFlags,
  around: Surroundings,
): Promise<number> {
  const settings = createSettings({ folder, ...flags })
  // From now on, so that stopping while it starts is as orderly as later.
  const signals = listenForSignals(around)
  const log = createLog(around)
  const serving = await startServing(
    settings,
    (error) => log.error(error),
    format === 'json' ? (entries) => printEntries(around, entries) : undefined,
  )
  const view = createLiveView(around.stdout)
  const remark = (sentence: string): void => {
    if (format === 'json') around.stderr.write(`${sentence}\n`)
    else view.print(`Note: ${sentence}`)
  }
  if (format === 'text') void showInWords(serving, view)
  const awake = settings.keepAwake ? keepAwake({ onLost: remark }) : undefined
  void awake?.outcome.then(({ sentence }) => remark(sentence))
  if (settings.open && serving.pageAddress !== undefined) openInBrowser(serving.pageAddress, remark)
  const signal = await signals.next()
  awake?.stop()
  const { depot } = serving
  const say = (line: string): void => {
    if (format === 'text') view.print(line)
  }
  const active = depot.delivery.underWay.list()
  if (active.length > 0) {
    say(`Stopping: new requests are refused; ${active.length} still under way. Again to cut them off:`)
    for (const { address, image, promised, fetch } of active) {
      say(
        `  ${address}  ${visible(image.name)}  ${bytesText(fetch.bytesHandedOver)} of ${bytesText(promised)} bytes`,
      )
    }
    await Promise.race([serving.windDown(), signals.next()])
  }
  const before = depot.ledger
  await serving.close(signal)
  view.end()
  say(`Stopped. ${before.head.entries} entries; head ${before.head.sum}`)
  say('Keep that head: "fetchproof audit --check --head HEX" shows with it that no entry was cut off.')
  return EXIT.done
}

/** The program's own log, to standard error; FETCHPROOF_LOG sets its level. */
function createLog({ env, stderr }: Surroundings): pino.Logger {
  const options = { name: 'fetchproof', level: env.FETCHPROOF_LOG ?? 'warn' }
  if (stderr.isTTY !== true) return pino(options, pino.destination(2))
  return pino(options, pretty({ sync: true, destination: 2, colorize: env.NO_COLOR === undefined }))
}

function printEntries({ stdout }: Surroundings, entries: readonly Entry[]): void {
  stdout.write(entries.map((entry) => `${JSON.stringify(entry)}\n`).join(''))
}

/**
 * Each call of what it returns resolves with the name of the next signal to stop. One that nobody waits for is passed
 * over, to the very end of the process: closing goes on, whatever is pressed meanwhile.
 */
function listenForSignals(around: Surroundings): { next(): Promise<string> } {
  let early: string | undefined
  let waiting: ((name: string) => void) | undefined
  for (const name of ['SIGINT', 'SIGTERM'] as const) {
    around.on(name, () => {
      if (waiting === undefined) early = name
      waiting?.(name)
      waiting = undefined
    })
  }
  return {
    next: () =>
      new Promise((told) => {
        if (early !== undefined) told(early)
        else waiting = told
        early = undefined
      }),
  }
}
