/** Runs the built program, and outside programs, to their end: exit status, both outputs, a deadline. */
import { execFile } from 'node:child_process'
import { fileURLToPath } from 'node:url'

export const PROGRAM = fileURLToPath(new URL('../../dist/server/main.js', import.meta.url))

export interface Outcome {
  /** null when it was ended by a signal (its own deadline). */
  readonly status: number | null
  readonly stdout: string
  readonly stderr: string
}

export interface RunOptions {
  readonly cwd?: string
  readonly timeoutMs?: number
  readonly uid?: number
  readonly env?: NodeJS.ProcessEnv
}

/** Runs a program to its end. At `timeoutMs` it gets SIGTERM, and `status` is null. */
export function run(program: string, args: readonly string[], options: RunOptions = {}): Promise<Outcome> {
  const { timeoutMs = 20_000, ...rest } = options
  return new Promise((ended) => {
    const child = execFile(
      program,
      args,
      { ...rest, timeout: timeoutMs, maxBuffer: 64 * 1024 * 1024 },
      (_error, stdout, stderr) => ended({ status: child.exitCode, stdout, stderr }),
    )
    child.stdin?.end()
  })
}

/** With FETCHPROOF_LOG errors say their codes. */
export function fetchproof(args: readonly string[], options: RunOptions = {}): Promise<Outcome> {
  const env = { FETCHPROOF_LOG: 'warn', ...(options.env ?? process.env) }
  return run(process.execPath, [PROGRAM, ...args], { ...options, env })
}
