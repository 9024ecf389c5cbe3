#!/usr/bin/env node
/** Argument vector -> a command. The exit status is the command's; see commands/exit.ts. */
import { runProgram } from './commands/program.ts'

// A reader that leaves (`… | head`), or a terminal that is closed, is no reason to end: what is served must go on, and
// be recorded.
let unwritten: NodeJS.ErrnoException | undefined
for (const stream of [process.stdout, process.stderr]) {
  stream.on('error', (error: NodeJS.ErrnoException) => {
    if (error.code !== 'EPIPE' && error.code !== 'EIO') unwritten ??= error
  })
}

let status = await runProgram(process.argv.slice(2), process)
// Ended by a call and not by running out: while Node.js tears itself down, one more Ctrl-C would kill it with a
// status that says so, although everything is closed. What was printed is out first.
for (const stream of [process.stdout, process.stderr]) {
  if (!stream.destroyed) await new Promise<void>((written) => stream.write('', () => written()))
}
// What was asked for is not there, on a full disk perhaps; a server has done its work all the same.
if (unwritten !== undefined) {
  process.stderr.write(`Not all of the output could be written (${unwritten.code ?? unwritten.message}).\n`)
  status ||= 1
}
process.exit(status)
