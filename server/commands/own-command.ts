/** What a person types here to call this program: its name where the system finds it, else the way to its file. */
import { existsSync } from 'node:fs'
import { delimiter, join, relative } from 'node:path'
import { typedPath } from '../wording/typed-path.ts'

const NAME = 'fetchproof'
const isWindows = process.platform === 'win32'
const FILES = isWindows ? [`${NAME}.cmd`, `${NAME}.exe`] : [NAME]

export function ownCommand({ PATH, Path }: NodeJS.ProcessEnv): string {
  const folders = (PATH ?? Path ?? '').split(delimiter).filter((folder) => folder !== '')
  if (folders.some((folder) => fileIn(folder) !== undefined)) return NAME
  const script = process.argv[1] ?? ''
  const launcher = launcherOf(script)
  if (launcher === undefined) return `node ${typedPath(nearer(script))}`
  const near = nearer(launcher)
  // A shell other than that of Windows looks for a bare name on the path alone.
  return typedPath(isWindows || near.includes('/') ? near : `./${near}`)
}

/** A portable folder has one beside the folders `runtime` and `program`. */
function launcherOf(script: string): string | undefined {
  const folder = join(script, '..', '..', '..', '..')
  const isPortable = ['runtime', 'program'].every((name) => existsSync(join(folder, name)))
  return isPortable ? fileIn(folder) : undefined
}

function fileIn(folder: string): string | undefined {
  return FILES.map((name) => join(folder, name)).find(existsSync)
}

/** From here, where that is shorter. */
function nearer(file: string): string {
  const from = relative(process.cwd(), file)
  return from !== '' && from.length < file.length ? from : file
}
