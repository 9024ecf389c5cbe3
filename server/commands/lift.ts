/** Usage of `fetchproof lift`. What it does is loaded when it runs: see lift-action.ts. */
import type { Command } from 'commander'
import { byOption, folderOption, formatOption, recordsOption } from './options.ts'
import type { Surroundings } from './surroundings.ts'

export interface LiftFlags {
  readonly reason: string
  readonly by?: string
  readonly folder: string
  readonly records?: string
  readonly format: 'text' | 'json'
}

export function addLift(program: Command, around: Surroundings, settle: (status: number) => void): void {
  program
    .command('lift')
    .description('Lift the hold of an image, with a reason; both are recorded.')
    .argument('<image>', 'its name in the folder, or a path that it is served under')
    .requiredOption('--reason <why>', 'why it may be served all the same')
    .addOption(byOption())
    .addOption(folderOption())
    .addOption(recordsOption())
    .addOption(formatOption('text', 'json'))
    .action(async (image: string, flags: LiftFlags) => {
      const { lift } = await import('./lift-action.ts')
      settle(await lift(image, flags, around))
    })
}
