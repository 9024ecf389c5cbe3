/** A command run in this process, where a test needs many: the same function that the program's main file calls. */
import { EventEmitter } from 'node:events'
import { PassThrough } from 'node:stream'
import { text } from 'node:stream/consumers'
import type { HostProcess } from '../../server/commands/printing.ts'
import { runProgram } from '../../server/commands/program.ts'
import type { FetchRecord, PullRecord } from '../../server/delivery/records.ts'
import type { Outcome } from '../clients/program.ts'

export interface Started {
  readonly stdout: PassThrough
  readonly stderr: PassThrough
  /** The exit status; nothing more is written then. */
  readonly ended: Promise<number>
  signal(name: string): void
}

/** Neither input nor outputs are a terminal. */
export function startInProcess(
  args: readonly string[],
  input: string | Buffer,
  env: NodeJS.ProcessEnv,
): Started {
  const stdin = new PassThrough().end(input)
  const [stdout, stderr] = [new PassThrough(), new PassThrough()]
  const signals = new EventEmitter()
  const on = (name: string, listener: () => void) => signals.on(name, listener)
  const around = { stdin, stdout, stderr, env, on }
  async function run(): Promise<number> {
    const status = await runProgram(args, around as unknown as HostProcess)
    stdout.end()
    stderr.end()
    return status
  }
  return { stdout, stderr, ended: run(), signal: (name) => void signals.emit(name) }
}

/** With FETCHPROOF_LOG errors say their codes. */
export async function inProcess(
  args: readonly string[],
  input: string | Buffer = '',
  env: NodeJS.ProcessEnv = { FETCHPROOF_LOG: 'warn' },
): Promise<Outcome> {
  const started = startInProcess(args, input, env)
  const [status, stdout, stderr] = await Promise.all([
    started.ended,
    text(started.stdout),
    text(started.stderr),
  ])
  return { status, stdout, stderr }
}

export interface Audit {
  readonly pulls: readonly PullRecord[]
  readonly fetches: readonly FetchRecord[]
  readonly ledger: { readonly entries: number; readonly intact: boolean; readonly head: string }
}

export async function audit(folder: string, args: readonly string[] = []): Promise<Audit> {
  const { status, stdout, stderr } = await inProcess(['audit', folder, '--format', 'json', ...args])
  if (status !== 0) throw new Error(`audit ended with ${status}: ${stderr}${stdout.slice(0, 500)}`)
  return JSON.parse(stdout) as Audit
}
