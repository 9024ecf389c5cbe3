/** Usage of `fetchproof images`. What it does is loaded when it runs: see images-action.ts. */
import type { Command } from 'commander'
import type { HostProcess } from './host-process.ts'
import { DEFAULT_FOLDER, formatOption, recordsOption } from './options.ts'

export interface ImagesFlags {
  readonly format: 'text' | 'json'
  readonly records?: string
}

export function addImages(program: Command, around: HostProcess, settle: (status: number) => void): void {
  program
    .command('images')
    .description('List the images of a staging folder with their digests; exit status 1 when one is held.')
    .argument('[folder]', 'the staging folder', DEFAULT_FOLDER)
    .addOption(recordsOption())
    .addOption(formatOption('text', 'json'))
    .action(async (folder: string, flags: ImagesFlags) => {
      const { images } = await import('./images-action.ts')
      settle(await images(folder, flags, around))
    })
}
