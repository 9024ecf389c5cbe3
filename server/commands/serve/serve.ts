/** Usage of `fetchproof serve`. What it does is loaded when it runs: see serve-action.ts. */
import { type Command, Option } from 'commander'
import { DEFAULTS } from '../../defaults.ts'
import type { SettingsInput } from '../../settings.ts'
import type { HostProcess } from '../host-process.ts'
import { collected, DEFAULT_FOLDER, formatOption, recordsOption, wholeNumber } from '../options.ts'

export type ServeFlags = Partial<Omit<SettingsInput, 'folder'>> & { format: 'text' | 'json' }

export function addServe(program: Command, around: HostProcess, settle: (status: number) => void): void {
  program
    .command('serve')
    .description('Serve the images of a staging folder to devices, and record every fetch.')
    .argument('[folder]', 'the staging folder', DEFAULT_FOLDER)
    .option('--listen <address>', 'listen on this address only (may be given several times)', collected)
    .option(
      '--port <number>',
      'the only image port (default: 8080 or the next free one, and 80 too where the system allows it)',
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
    .option('--tftp', 'also serve by TFTP, for boot loaders and phones that know nothing else')
    .option(
      '--tftp-port <number>',
      `port that TFTP requests come to (default: ${DEFAULTS.tftpPort})`,
      wholeNumber,
    )
    .option('--list', 'offer /SHA256SUMS')
    .option('--max-fetches <number>', `fetches at once (default: ${DEFAULTS.maxFetches})`, wholeNumber)
    .option(
      '--settle-ms <ms>',
      `quiet time before a file is read (default: ${DEFAULTS.settleMs})`,
      wholeNumber,
    )
    .option(
      '--settle-unsure-ms <ms>',
      `quiet time of a new file that is not yet known to be complete (default: ${DEFAULTS.settleUnsureMs})`,
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
    .option(
      '--new-token',
      'a new token for the bench page: addresses printed before allow no change any more',
    )
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
      const { serve } = await import('./serve-action.ts')
      settle(await serve(folder, flags, around))
    })
}
