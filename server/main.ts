#!/usr/bin/env node
/** Argument vector -> a command. The exit status is the command's; see commands/exit.ts. */
import { runProgram } from './commands/program.ts'

process.exitCode = await runProgram(process.argv.slice(2), process)
