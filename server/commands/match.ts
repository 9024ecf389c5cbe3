/** Usage of `fetchproof match`. What it does is loaded when it runs: see match-action.ts. */
import type { Command } from 'commander'
import type { HostProcess } from './host-process.ts'
import { byOption, folderOption, formatOption, recordsOption } from './options.ts'

export interface MatchFlags {
  readonly file?: string
  readonly device?: string
  readonly by?: string
  readonly folder: string
  readonly records?: string
  readonly format: 'text' | 'json'
}

const CRC_HELP = `
Found are MD5, SHA-1, SHA-2 and CRC-32, in upper or lower case, in pairs or groups, wrapped over lines. 8 digits that
are no image's CRC-32 count as a mismatch only where a label or an arrow says that they are one: addresses and dates
have 8 digits too. With --device it is compared with what the visit sheet plans for that device: another image, an
earlier version or a held one is exit status 1.`

export function addMatch(program: Command, around: HostProcess, settle: (status: number) => void): void {
  program
    .command('match')
    .description(
      'Find the digests in what a device printed and say which image each belongs to; exit status 1 when one belongs to none, or there is none.',
    )
    .argument('[text]', 'what the device printed (default: standard input)')
    .option('--file <file>', 'read it from this file')
    .option('--device <name>', 'record it as what this device printed of what it stored')
    .addOption(byOption())
    .addOption(folderOption())
    .addOption(recordsOption())
    .addOption(formatOption('text', 'json'))
    .addHelpText('after', CRC_HELP)
    .action(async (argument: string | undefined, flags: MatchFlags) => {
      const { match } = await import('./match-action.ts')
      settle(await match(argument, flags, around))
    })
}
