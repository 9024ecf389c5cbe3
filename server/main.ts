#!/usr/bin/env node
/** Argument vector -> a command. The exit status is the command's; see commands/exit.ts. */
import { runProgram } from './commands/program.ts'

// A reader that leaves (`… | head`) is no reason to end: what is served must go on, and be recorded.
process.stdout.on('error', (error: NodeJS.ErrnoException) => {
  if (error.code !== 'EPIPE') throw error
})

process.exitCode = await runProgram(process.argv.slice(2), process)
