/** What can be typed: each command with its arguments, flags and an example. What it does is loaded when it runs. */
import { Option } from 'commander'
import { PULL_STATES } from '../delivery/records.ts'
import { FETCH_ENDINGS } from '../ledger/ending-names.ts'
import type { AuditFlags } from './audit.ts'
import type { HostProcess } from './host-process.ts'
import type { DecisionFlags } from './image-decision.ts'
import type { MatchFlags } from './match.ts'
import type { ObserveFlags } from './observe.ts'
import {
  byOption,
  DEFAULT_FOLDER,
  folderOption,
  formatOption,
  type ReadingFlags,
  recordsOption,
  wholeNumber,
} from './options.ts'
import type { RehearseFlags } from './rehearse/rehearse.ts'
import type { ReportFlags } from './report.ts'
import type { ServeFlags } from './serve/serve.ts'
import type { SheetFlags } from './sheet.ts'
import type { StrikeFlags } from './strike.ts'

export interface Usage<Given, Flags> {
  readonly name: string
  readonly description: string
  readonly argument: {
    readonly syntax: string
    readonly description: string
    readonly default?: string | readonly string[]
    readonly parse?: (text: string) => unknown
  }
  /** Loaded where they are many. */
  readonly options: () => readonly Option[] | Promise<readonly Option[]>
  /** What to type, for whom an argument is missing. */
  readonly example: string
  readonly remarks?: string
  readonly run: (given: Given, flags: Flags, around: HostProcess) => Promise<number>
}

const FOLDERS = {
  syntax: '[folder...]',
  description: `staging folders (default: ${DEFAULT_FOLDER})`,
  default: [DEFAULT_FOLDER],
} as const

const FOLDER = { syntax: '[folder]', description: 'the staging folder', default: DEFAULT_FOLDER } as const

const READING = [recordsOption(), formatOption('text', 'json')]
/** For commands whose argument is something else, and that record who decided. */
const RECORDING = [byOption(), folderOption(), ...READING]

const serve: Usage<string, ServeFlags> = {
  name: 'serve',
  description: 'Serve the images of a staging folder to devices, and record every fetch.',
  argument: FOLDER,
  options: async () => [...(await import('./serve/flags-from-settings.ts')).serveOptions(), ...READING],
  example: 'fetchproof serve visits/hollow-lane --open',
  run: async (folder, flags, around) => (await import('./serve/serve.ts')).serve(folder, flags, around),
}

const images: Usage<string, ReadingFlags> = {
  name: 'images',
  description: 'List the images of a staging folder with their digests; exit status 1 when one is held.',
  argument: FOLDER,
  options: () => READING,
  example: 'fetchproof images visits/hollow-lane',
  run: async (folder, flags, around) => (await import('./images.ts')).images(folder, flags, around),
}

const match: Usage<string | undefined, MatchFlags> = {
  name: 'match',
  description:
    'Find the digests in what a device printed and say which image each belongs to; exit status 1 when one belongs to none, or there is none.',
  argument: { syntax: '[text]', description: 'what the device printed (default: standard input)' },
  options: () => [
    new Option('--file <file>', 'read it from this file'),
    new Option('--device <name>', 'record it as what this device printed of what it stored'),
    ...RECORDING,
  ],
  example: 'fetchproof match --device desk-sw1 "MD5 of flash:/core.bin: 9e107d9d372bb6826bd81d3542a419d6"',
  remarks: `
Found are MD5, SHA-1, SHA-2 and CRC-32, in upper or lower case, in pairs or groups, wrapped over lines. 8 digits that
are no image's CRC-32 count as a mismatch only where a label or an arrow says that they are one: addresses and dates
have 8 digits too. With --device it is compared with what the visit sheet plans for that device: another image, an
earlier version or a held one is exit status 1.`,
  run: async (text, flags, around) => (await import('./match.ts')).match(text, flags, around),
}

const rehearse: Usage<string, RehearseFlags> = {
  name: 'rehearse',
  description:
    'Fetch every image through its own URLs as a device would and compare; exit status 1 when anything differs.',
  argument: {
    syntax: '[where]',
    description: 'a staging folder that is being served, or the base URL of a laptop that serves with --list',
    default: DEFAULT_FOLDER,
  },
  options: () => [new Option('--verbose', 'a row for each image and path'), byOption(), ...READING],
  example: 'fetchproof rehearse http://192.0.2.10:8080',
  run: async (where, flags, around) =>
    (await import('./rehearse/rehearse.ts')).rehearse(where, flags, around),
}

function decision(why: string): Pick<Usage<string, DecisionFlags>, 'argument' | 'options'> {
  return {
    argument: { syntax: '<image>', description: 'its name in the folder, or a path that it is served under' },
    options: () => [new Option('--reason <why>', why).makeOptionMandatory(), ...RECORDING],
  }
}

const hold: Usage<string, DecisionFlags> = {
  name: 'hold',
  description: 'Withdraw an image, with a reason; both are recorded.',
  ...decision('why it must not be served'),
  example: 'fetchproof hold core.bin --reason "its maker withdrew it"',
  run: async (image, flags, around) => (await import('./image-decision.ts')).hold(image, flags, around),
}

const lift: Usage<string, DecisionFlags> = {
  name: 'lift',
  description: 'Lift the hold of an image, with a reason; both are recorded.',
  ...decision('why it may be served all the same'),
  example: 'fetchproof lift core.bin --reason "the published checksum is that of the archive around it"',
  run: async (image, flags, around) => (await import('./image-decision.ts')).lift(image, flags, around),
}

const strike: Usage<number | undefined, StrikeFlags> = {
  name: 'strike',
  description: 'Take back what was recorded by mistake: an observation, a pasted checksum, a lift.',
  argument: {
    syntax: '[entry]',
    description: 'its number in the ledger; without one, what can be struck is listed',
    parse: wholeNumber,
  },
  options: () => [new Option('--reason <why>', 'why it is struck'), ...RECORDING],
  example: 'fetchproof strike 42 --reason "it was the other switch"',
  run: async (entry, flags, around) => (await import('./strike.ts')).strike(entry, flags, around),
}

const audit: Usage<string[], AuditFlags> = {
  name: 'audit',
  description:
    'Show what the ledger of one or several staging folders says: which device pulled which image.',
  argument: FOLDERS,
  options: () => [
    new Option('--fetches', 'every fetch and refusal instead of pulls'),
    new Option('--plan', 'every device of the visit sheet with its standing instead of pulls'),
    new Option('--client <who>', 'only this address, hardware address or device'),
    new Option('--image <which>', 'only this image: name, plain path or first digits of its SHA-256'),
    new Option(
      '--since <time>',
      'only what began at or after this time (such as 2026-11-25T20:00, or 17:47 for today)',
    ),
    new Option('--until <time>', 'only what began at or before this time'),
    new Option('--ending <ending>', 'only fetches that ended so (with --fetches)').choices(FETCH_ENDINGS),
    new Option('--state <state>', 'only pulls in this state').choices(PULL_STATES),
    new Option('--check', 'verify the chain of entries; exit status 1 when it is broken'),
    new Option('--head <hex>', 'with --check: the head printed earlier must stand in the ledger'),
    recordsOption(),
    formatOption('text', 'json', 'csv'),
  ],
  example: 'fetchproof audit visits/hollow-lane --client desk-sw1',
  run: async (folders, flags, around) => (await import('./audit.ts')).audit(folders, flags, around),
}

const observe: Usage<string, ObserveFlags> = {
  name: 'observe',
  description: 'Record what you saw at a device: its version before or after, or a note.',
  argument: { syntax: '<device>', description: 'its name on the visit sheet, or its address' },
  options: () => [
    new Option(
      '--before <version>',
      'version before; text that the device printed will do; - reads standard input',
    ),
    new Option('--after <version>', 'version after; as --before'),
    new Option('--note <text>', 'anything else worth keeping'),
    ...RECORDING,
  ],
  example: 'fetchproof observe desk-sw1 --before 4.1.2 --after 4.4.0',
  run: async (device, flags, around) => (await import('./observe.ts')).observe(device, flags, around),
}

const report: Usage<string[], ReportFlags> = {
  name: 'report',
  description: 'Make the record of a visit: what was planned and what was done, device by device.',
  argument: FOLDERS,
  options: () => [
    new Option('--output <file>', 'write it into this file (default: standard output)'),
    new Option('--format <format>', 'one HTML file to print and sign, or data')
      .choices(['html', 'json', 'csv'])
      .default('html'),
    new Option('--strict', 'exit status 1 when the visit is not complete'),
    recordsOption(),
  ],
  example: 'fetchproof report visits/hollow-lane --output visit-report.html',
  run: async (folders, flags, around) => (await import('./report.ts')).report(folders, flags, around),
}

const sheet: Usage<string, SheetFlags> = {
  name: 'sheet',
  description:
    'Check the visit sheet visit.csv of a staging folder; exit status 1 when something is wrong in it.',
  argument: FOLDER,
  options: () => [new Option('--example', 'print a filled-in visit.csv to begin from'), ...READING],
  example: `fetchproof sheet --example > ${DEFAULT_FOLDER}/visit.csv`,
  run: async (folder, flags, around) => (await import('./sheet.ts')).sheet(folder, flags, around),
}

export const COMMANDS: readonly Usage<never, never>[] = [
  serve,
  images,
  match,
  rehearse,
  hold,
  lift,
  strike,
  audit,
  observe,
  report,
  sheet,
]
