/** Usage of `fetchproof rehearse`. What it does is loaded when it runs: see rehearse-action.ts. */
import type { Command } from 'commander'
import type { HostProcess } from '../host-process.ts'
import { byOption, DEFAULT_FOLDER, formatOption, recordsOption } from '../options.ts'

export interface RehearseFlags {
  readonly by?: string
  readonly records?: string
  readonly format: 'text' | 'json'
}

export function addRehearse(program: Command, around: HostProcess, settle: (status: number) => void): void {
  program
    .command('rehearse')
    .description(
      'Fetch every image through its own URLs as a device would and compare; exit status 1 when anything differs.',
    )
    .argument(
      '[where]',
      'a staging folder that is being served, or the base URL of a laptop that serves with --list',
      DEFAULT_FOLDER,
    )
    .addOption(byOption())
    .addOption(recordsOption())
    .addOption(formatOption('text', 'json'))
    .action(async (where: string, flags: RehearseFlags) => {
      const { rehearse } = await import('./rehearse-action.ts')
      settle(await rehearse(where, flags, around))
    })
}
