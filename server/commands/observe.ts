/** Usage of `fetchproof observe`. What it does is loaded when it runs: see observe-action.ts. */
import type { Command } from 'commander'
import type { HostProcess } from './host-process.ts'
import { byOption, folderOption, formatOption, recordsOption } from './options.ts'

export interface ObserveFlags {
  readonly before?: string
  readonly after?: string
  readonly note?: string
  readonly by?: string
  readonly folder: string
  readonly records?: string
  readonly format: 'text' | 'json'
}

export function addObserve(program: Command, around: HostProcess, settle: (status: number) => void): void {
  program
    .command('observe')
    .description('Record what you saw at a device: its version before or after, or a note.')
    .argument('<device>', 'its name on the visit sheet, or its address')
    .option(
      '--before <version>',
      'version before; text that the device printed will do; - reads standard input',
    )
    .option('--after <version>', 'version after; as --before')
    .option('--note <text>', 'anything else worth keeping')
    .addOption(byOption())
    .addOption(folderOption())
    .addOption(recordsOption())
    .addOption(formatOption('text', 'json'))
    .action(async (device: string, flags: ObserveFlags) => {
      const { observe } = await import('./observe-action.ts')
      settle(await observe(device, flags, around))
    })
}
