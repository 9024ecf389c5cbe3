/** Usage of `fetchproof strike`. What it does is loaded when it runs: see strike-action.ts. */
import type { Command } from 'commander'
import type { HostProcess } from './host-process.ts'
import { byOption, folderOption, formatOption, recordsOption, wholeNumber } from './options.ts'

export interface StrikeFlags {
  readonly reason?: string
  readonly by?: string
  readonly folder: string
  readonly records?: string
  readonly format: 'text' | 'json'
}

export function addStrike(program: Command, around: HostProcess, settle: (status: number) => void): void {
  program
    .command('strike')
    .description('Take back what was recorded by mistake: an observation, a pasted checksum, a lift.')
    .argument('[entry]', 'its number in the ledger; without one, what can be struck is listed', wholeNumber)
    .option('--reason <why>', 'why it is struck')
    .addOption(byOption())
    .addOption(folderOption())
    .addOption(recordsOption())
    .addOption(formatOption('text', 'json'))
    .action(async (entry: number | undefined, flags: StrikeFlags) => {
      const { strike } = await import('./strike-action.ts')
      settle(await strike(entry, flags, around))
    })
}
