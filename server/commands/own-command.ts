/** What a person types here to call this program: its name where the system finds it, else the way to its file. */
import { existsSync } from 'node:fs'
import { delimiter, join, relative } from 'node:path'
import { typedPath } from '../wording/typed-path.ts'

const NAME = 'fetchproof'

interface OwnCommandFacts {
  readonly env: NodeJS.ProcessEnv
  /** The file that runs; what Node.js was given. */
  readonly script?: string
  readonly cwd?: string
  readonly platform?: NodeJS.Platform
}

export function ownCommand({
  env,
  script = process.argv[1] ?? '',
  cwd = process.cwd(),
  platform = process.platform,
}: OwnCommandFacts): string {
  if (isOnPath(env, platform)) return NAME
  const launcher = launcherOf(script, platform)
  if (launcher !== undefined) return callable(launcher, cwd, platform)
  return `node ${typedPath(nearer(script, cwd))}`
}

function isOnPath(env: NodeJS.ProcessEnv, platform: NodeJS.Platform): boolean {
  const folders = (env.PATH ?? env.Path ?? '').split(delimiter).filter((folder) => folder !== '')
  return folders.some((folder) => namesOf(platform).some((name) => existsSync(join(folder, name))))
}

function namesOf(platform: NodeJS.Platform): readonly string[] {
  return platform === 'win32' ? [`${NAME}.cmd`, `${NAME}.exe`] : [NAME]
}

/** A portable folder has one beside the folders `runtime` and `program`. */
function launcherOf(script: string, platform: NodeJS.Platform): string | undefined {
  const folder = join(script, '..', '..', '..', '..')
  if (!existsSync(join(folder, 'runtime')) || !existsSync(join(folder, 'program'))) return undefined
  return namesOf(platform)
    .map((name) => join(folder, name))
    .find(existsSync)
}

function callable(file: string, cwd: string, platform: NodeJS.Platform): string {
  const near = nearer(file, cwd)
  // A shell other than that of Windows looks for a bare name on the path alone.
  return typedPath(platform !== 'win32' && !near.includes('/') ? `./${near}` : near, platform)
}

/** From here, where that is shorter. */
function nearer(file: string, cwd: string): string {
  const from = relative(cwd, file)
  return from !== '' && from.length < file.length ? from : file
}
