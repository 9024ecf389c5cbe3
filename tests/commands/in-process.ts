/** A command run in this process, where a test needs many: the same function that the program's main file calls. */
import { PassThrough } from 'node:stream'
import { text } from 'node:stream/consumers'
import type { HostProcess } from '../../server/commands/host-process.ts'
import { runProgram } from '../../server/commands/program.ts'
import type { Outcome } from '../clients/program.ts'

/** Neither input nor outputs are a terminal. With FETCHPROOF_LOG errors say their codes. */
export async function inProcess(
  args: readonly string[],
  input: string | Buffer = '',
  env: NodeJS.ProcessEnv = { FETCHPROOF_LOG: 'warn' },
): Promise<Outcome> {
  const stdin = new PassThrough().end(input)
  const stdout = new PassThrough()
  const stderr = new PassThrough()
  const around = { stdin, stdout, stderr, env, pid: process.pid, on() {}, off() {} }
  const outputs = Promise.all([text(stdout), text(stderr)])
  const status = await runProgram(args, around as unknown as HostProcess)
  stdout.end()
  stderr.end()
  const [out, err] = await outputs
  return { status, stdout: out, stderr: err }
}
