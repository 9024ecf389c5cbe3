/** Usage of `fetchproof audit`. What it does is loaded when it runs: see audit-action.ts. */
import { type Command, Option } from 'commander'
import { PULL_STATES } from '../delivery/records.ts'
import { FETCH_ENDINGS } from '../ledger/fetch-endings.ts'
import type { AuditFilter } from '../report/audit.ts'
import type { HostProcess } from './host-process.ts'
import { DEFAULT_FOLDER, formatOption, recordsOption } from './options.ts'

export interface AuditFlags extends AuditFilter {
  readonly format: 'text' | 'json' | 'csv'
  readonly records?: string
  readonly fetches?: boolean
  readonly plan?: boolean
  readonly check?: boolean
  readonly head?: string
}

export function addAudit(program: Command, around: HostProcess, settle: (status: number) => void): void {
  program
    .command('audit')
    .description(
      'Show what the ledger of one or several staging folders says: which device pulled which image.',
    )
    .argument('[folder...]', `staging folders (default: ${DEFAULT_FOLDER})`)
    .option('--fetches', 'every fetch and refusal instead of pulls')
    .option('--plan', 'every device of the visit sheet with its standing instead of pulls')
    .option('--client <who>', 'only this address, hardware address or device')
    .option('--image <which>', 'only this image: name, plain path or first digits of its SHA-256')
    .option(
      '--since <time>',
      'only what began at or after this time (such as 2026-11-25T20:00, or 17:47 for today)',
    )
    .option('--until <time>', 'only what began at or before this time')
    .addOption(
      new Option('--ending <ending>', 'only fetches that ended so (with --fetches)').choices([
        ...FETCH_ENDINGS,
      ]),
    )
    .addOption(new Option('--state <state>', 'only pulls in this state').choices([...PULL_STATES]))
    .option('--check', 'verify the chain of entries; exit status 1 when it is broken')
    .option('--head <hex>', 'with --check: the head printed earlier must stand in the ledger')
    .addOption(recordsOption())
    .addOption(formatOption('text', 'json', 'csv'))
    .action(async (folders: string[], flags: AuditFlags) => {
      const { audit } = await import('./audit-action.ts')
      settle(await audit(folders.length > 0 ? folders : [DEFAULT_FOLDER], flags, around))
    })
}
