/** Usage of `fetchproof hold` and `fetchproof lift`. What they do is loaded when they run. */
import type { Command } from 'commander'
import type { HostProcess } from './host-process.ts'
import type { DecisionFlags } from './image-decision.ts'
import { byOption, folderOption, formatOption, recordsOption } from './options.ts'

export function addHold(program: Command, around: HostProcess, settle: (status: number) => void): void {
  decision(program, 'hold', 'Withdraw an image, with a reason; both are recorded.')
    .requiredOption('--reason <why>', 'why it must not be served')
    .action(async (image: string, flags: DecisionFlags) => {
      const { hold } = await import('./hold-action.ts')
      settle(await hold(image, flags, around))
    })
}

export function addLift(program: Command, around: HostProcess, settle: (status: number) => void): void {
  decision(program, 'lift', 'Lift the hold of an image, with a reason; both are recorded.')
    .requiredOption('--reason <why>', 'why it may be served all the same')
    .action(async (image: string, flags: DecisionFlags) => {
      const { lift } = await import('./lift-action.ts')
      settle(await lift(image, flags, around))
    })
}

function decision(program: Command, name: string, description: string): Command {
  return program
    .command(name)
    .description(description)
    .argument('<image>', 'its name in the folder, or a path that it is served under')
    .addOption(byOption())
    .addOption(folderOption())
    .addOption(recordsOption())
    .addOption(formatOption('text', 'json'))
}
