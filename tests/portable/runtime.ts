/** Real portable builds, as `npm run portable` makes them. */
import { readFileSync } from 'node:fs'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import type { TARGETS } from '../../scripts/portable/targets.mjs'
import { run } from '../clients/program.ts'

export const SCRIPT = fileURLToPath(new URL('../../scripts/portable/main.mjs', import.meta.url))
const BUILD_MS = 1_100_000

const { version } = JSON.parse(readFileSync(new URL('../../package.json', import.meta.url), 'utf8')) as {
  version: string
}

export type TargetName = keyof typeof TARGETS

export const titleOf = (name: TargetName): string => `fetchproof-${version}-${name}`

/** `surroundings`: what must not matter, such as the time zone. */
export async function build(
  out: string,
  flags: readonly string[],
  surroundings: { env?: NodeJS.ProcessEnv; umask?: string; cwd?: string; script?: string } = {},
): Promise<void> {
  const { env = {}, umask = '022', cwd = '/', script = SCRIPT } = surroundings
  const { status, stderr } = await run(
    'sh',
    ['-c', `umask ${umask}; exec "$@"`, 'sh', process.execPath, script, '--out', out, ...flags],
    { timeoutMs: BUILD_MS, cwd, env: { ...process.env, ...env } },
  )
  if (status !== 0) throw new Error(`the portable build ended with ${status}: ${stderr}`)
}

/** Of SHA256SUMS: name -> digest. */
export function sums(folder: string): ReadonlyMap<string, string> {
  const lines = readFileSync(join(folder, 'SHA256SUMS'), 'utf8').trimEnd().split('\n')
  return new Map(lines.map((line) => [line.slice(66), line.slice(0, 64)]))
}
