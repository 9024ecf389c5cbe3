#!/usr/bin/env node
/** Argument vector -> a command. The exit status is the command's; see commands/exit.ts. */
import { runProgram } from './commands/program.ts'

// A reader that leaves (`… | head`), or a terminal that is closed, is no reason to end: what is served must go on, and
// be recorded.
for (const stream of [process.stdout, process.stderr]) {
  stream.on('error', (error: NodeJS.ErrnoException) => {
    if (error.code !== 'EPIPE' && error.code !== 'EIO') throw error
  })
}

const status = await runProgram(process.argv.slice(2), process)
// Ended by a call and not by running out: while Node.js tears itself down, one more Ctrl-C would kill it with a
// status that says so, although everything is closed. What was printed is out first.
for (const stream of [process.stdout, process.stderr]) {
  await new Promise<void>((written) => stream.write('', () => written()))
}
process.exit(status)
