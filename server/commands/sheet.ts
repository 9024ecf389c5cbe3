/** Usage of `fetchproof sheet`. What it does is loaded when it runs: see sheet-action.ts. */
import type { Command } from 'commander'
import { SHEET_FILE } from '../visit/sheet-rows.ts'
import type { HostProcess } from './host-process.ts'
import { DEFAULT_FOLDER, formatOption, recordsOption } from './options.ts'

export interface SheetFlags {
  readonly example?: boolean
  readonly format: 'text' | 'json'
  readonly records?: string
}

export function addSheet(program: Command, around: HostProcess, settle: (status: number) => void): void {
  program
    .command('sheet')
    .description(
      `Check the visit sheet ${SHEET_FILE} of a staging folder; exit status 1 when something is wrong in it.`,
    )
    .argument('[folder]', 'the staging folder', DEFAULT_FOLDER)
    .option('--example', `print a filled-in ${SHEET_FILE} to begin from`)
    .addOption(recordsOption())
    .addOption(formatOption('text', 'json'))
    .action(async (folder: string, flags: SheetFlags) => {
      const { sheet } = await import('./sheet-action.ts')
      settle(await sheet(folder, flags, around))
    })
}
