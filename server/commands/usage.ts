/** What can be typed: each command with its arguments, flags and an example. What it does is loaded when it runs. */
import { Option } from 'commander'
import { PULL_STATES } from '../delivery/records.ts'
import { FETCH_ENDINGS } from '../ledger/ending-names.ts'
import { wholeNumber } from './options.ts'
import type { HostProcess } from './printing.ts'

export interface Usage {
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
  /** What runs it. */
  readonly load: () => Promise<(given: never, flags: never, around: HostProcess) => Promise<number>>
}

const DEFAULT_FOLDER = './staging'

const FOLDERS = {
  syntax: '[folder...]',
  description: `staging folders (default: ${DEFAULT_FOLDER})`,
  default: [DEFAULT_FOLDER],
}

const FOLDER = { syntax: '[folder]', description: 'the staging folder', default: DEFAULT_FOLDER }

const IMAGE = { syntax: '<image>', description: 'its name in the folder, or a path that it is served under' }

const RECORDS = new Option(
  '--records <folder>',
  'where the ledger is kept (default: .fetchproof in the staging folder)',
)
const BY = new Option('--by <name>', 'who does it (default: who is logged in)')

function formatOption(...formats: readonly string[]): Option {
  return new Option('--format <format>', 'how to print').choices(formats).default('text')
}

function reason(why: string): Option {
  return new Option('--reason <why>', why).makeOptionMandatory()
}

const READING = [RECORDS, formatOption('text', 'json')]
/** For commands whose argument is something else, and that record who decided. */
const RECORDING = [
  BY,
  new Option('--folder <folder>', 'the staging folder').default(DEFAULT_FOLDER),
  ...READING,
]

export const COMMANDS: readonly Usage[] = [
  {
    name: 'serve',
    description: 'Serve the images of a staging folder to devices, and record every fetch.',
    argument: FOLDER,
    options: async () => [...(await import('./serve/flags-from-settings.ts')).serveOptions(), ...READING],
    example: 'fetchproof serve visits/hollow-lane --open',
    load: async () => (await import('./serve/serve.ts')).serve,
  },
  {
    name: 'images',
    description: 'List the images of a staging folder with their digests; exit status 1 when one is held.',
    argument: FOLDER,
    options: () => READING,
    example: 'fetchproof images visits/hollow-lane',
    load: async () => (await import('./images.ts')).images,
  },
  {
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
    load: async () => (await import('./match.ts')).match,
  },
  {
    name: 'rehearse',
    description:
      'Fetch every image through its own URLs as a device would and compare; exit status 1 when anything differs.',
    argument: {
      syntax: '[where]',
      description:
        'a staging folder that is being served, or the base URL of a laptop that serves with --list',
      default: DEFAULT_FOLDER,
    },
    options: () => [new Option('--verbose', 'a row for each image and path'), BY, ...READING],
    example: 'fetchproof rehearse http://192.0.2.10:8080',
    load: async () => (await import('./rehearse/rehearse.ts')).rehearse,
  },
  {
    name: 'hold',
    description: 'Withdraw an image, with a reason; both are recorded.',
    argument: IMAGE,
    options: () => [reason('why it must not be served'), ...RECORDING],
    example: 'fetchproof hold core.bin --reason "its maker withdrew it"',
    load: async () => (await import('./image-decision.ts')).hold,
  },
  {
    name: 'lift',
    description: 'Lift the hold of an image, with a reason; both are recorded.',
    argument: IMAGE,
    options: () => [reason('why it may be served all the same'), ...RECORDING],
    example: 'fetchproof lift core.bin --reason "the published checksum is that of the archive around it"',
    load: async () => (await import('./image-decision.ts')).lift,
  },
  {
    name: 'strike',
    description: 'Take back what was recorded by mistake: an observation, a pasted checksum, a lift.',
    argument: {
      syntax: '[entry]',
      description: 'its number in the ledger; without one, what can be struck is listed',
      parse: wholeNumber,
    },
    options: () => [new Option('--reason <why>', 'why it is struck'), ...RECORDING],
    example: 'fetchproof strike 42 --reason "it was the other switch"',
    load: async () => (await import('./strike.ts')).strike,
  },
  {
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
      RECORDS,
      formatOption('text', 'json', 'csv'),
    ],
    example: 'fetchproof audit visits/hollow-lane --client desk-sw1',
    load: async () => (await import('./audit.ts')).audit,
  },
  {
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
    load: async () => (await import('./observe.ts')).observe,
  },
  {
    name: 'report',
    description: 'Make the record of a visit: what was planned and what was done, device by device.',
    argument: FOLDERS,
    options: () => [
      new Option('--output <file>', 'write it into this file (default: standard output)'),
      new Option('--format <format>', 'one HTML file to print and sign, or data')
        .choices(['html', 'json', 'csv'])
        .default('html'),
      new Option('--strict', 'exit status 1 when the visit is not complete'),
      RECORDS,
    ],
    example: 'fetchproof report visits/hollow-lane --output visit-report.html',
    load: async () => (await import('./report.ts')).report,
  },
  {
    name: 'sheet',
    description:
      'Check the visit sheet visit.csv of a staging folder; exit status 1 when something is wrong in it.',
    argument: FOLDER,
    options: () => [new Option('--example', 'print a filled-in visit.csv to begin from'), ...READING],
    example: `fetchproof sheet --example > ${DEFAULT_FOLDER}/visit.csv`,
    load: async () => (await import('./sheet.ts')).sheet,
  },
]
