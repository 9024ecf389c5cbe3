/** Usage of `fetchproof report`. What it does is loaded when it runs: see report-action.ts. */
import { type Command, Option } from 'commander'
import type { HostProcess } from './host-process.ts'
import { DEFAULT_FOLDER, recordsOption } from './options.ts'

export interface ReportFlags {
  readonly output?: string
  readonly format: 'html' | 'json' | 'csv'
  readonly strict?: boolean
  readonly records?: string
}

export function addReport(program: Command, around: HostProcess, settle: (status: number) => void): void {
  program
    .command('report')
    .description('Make the record of a visit: what was planned and what was done, device by device.')
    .argument('[folder...]', `staging folders (default: ${DEFAULT_FOLDER})`)
    .option('--output <file>', 'write it into this file (default: standard output)')
    .addOption(
      new Option('--format <format>', 'one HTML file to print and sign, or data')
        .choices(['html', 'json', 'csv'])
        .default('html'),
    )
    .option('--strict', 'exit status 1 when the visit is not complete')
    .addOption(recordsOption())
    .action(async (folders: string[], flags: ReportFlags) => {
      const { report } = await import('./report-action.ts')
      settle(await report(folders.length > 0 ? folders : [DEFAULT_FOLDER], flags, around))
    })
}
