/** The command line: which commands there are, and what becomes of an error. */
import { Command, CommanderError } from 'commander'
import { FetchproofError } from '../errors.ts'
import { visible } from '../wording/visible.ts'
import { addAudit } from './audit.ts'
import { EXIT, exitStatusOf } from './exit.ts'
import { addHold, addLift } from './hold-and-lift.ts'
import type { HostProcess } from './host-process.ts'
import { addImages } from './images.ts'
import { addMatch } from './match.ts'
import { addObserve } from './observe.ts'
import { addRehearse } from './rehearse/rehearse.ts'
import { addReport } from './report.ts'
import { addServe } from './serve/serve.ts'
import { addSheet } from './sheet.ts'
import { addStrike } from './strike.ts'
import { VERSION } from './version.ts'

/** Runs one command; resolves with its exit status. Expected errors are printed, never thrown. */
export async function runProgram(args: readonly string[], around: HostProcess): Promise<number> {
  let status: number = EXIT.done
  const settle = (result: number): void => {
    status = result
  }
  const program = new Command('fetchproof')
    .description('Serves verified device images from this laptop and records which device pulled which.')
    .version(VERSION)
    .configureOutput({
      writeOut: (text) => void around.stdout.write(text),
      // Commander repeats what was typed: a name that a shell completed may hold anything.
      writeErr: (text) => void around.stderr.write(visibleLines(text)),
    })
    .exitOverride()
    .showHelpAfterError('Try --help for the usage.')
  for (const add of [
    addServe,
    addImages,
    addMatch,
    addRehearse,
    addHold,
    addLift,
    addStrike,
    addAudit,
    addObserve,
    addReport,
    addSheet,
  ])
    add(program, around, settle)
  try {
    await program.parseAsync([...args], { from: 'user' })
    return status
  } catch (error) {
    return failed(error, around)
  }
}

function failed(error: unknown, { stderr }: HostProcess): number {
  if (error instanceof CommanderError) return error.exitCode === 0 ? EXIT.done : EXIT.usage
  if (error instanceof FetchproofError) {
    // Names of files and what stands in them are part of it, and may move a terminal's cursor.
    stderr.write(`fetchproof: ${visible(error.message)}\n(${error.code})\n`)
    return exitStatusOf(error.code)
  }
  const told = String(error instanceof Error ? error.stack : error)
  stderr.write(`fetchproof: something unforeseen happened: ${visibleLines(told)}\n`)
  return EXIT.couldNotStart
}

function visibleLines(text: string): string {
  return text.split('\n').map(visible).join('\n')
}
