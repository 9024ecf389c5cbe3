/** The command line: which commands there are, and what becomes of an error. */
import { Argument, Command, CommanderError } from 'commander'
import { FetchproofError } from '../errors.ts'
import { visible } from '../wording/visible.ts'
import { EXIT, exitStatusOf } from './exit.ts'
import { type HostProcess, jsonText, print, runnable } from './printing.ts'
import { COMMANDS, type Usage } from './usage.ts'
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
  for (const usage of COMMANDS) {
    const command = program.command(usage.name)
    // Flags that take long to load are there for whom needs them.
    if (args.includes(usage.name)) await describe(command, usage, around, settle)
    else command.description(usage.description)
  }
  try {
    await program.parseAsync([...args], { from: 'user' })
    return status
  } catch (error) {
    return failed(error, args, around)
  }
}

async function describe(
  command: Command,
  { description, argument, options, example, remarks = '', load }: Usage,
  around: HostProcess,
  settle: (status: number) => void,
): Promise<void> {
  const taken = new Argument(argument.syntax, argument.description)
  if (argument.default !== undefined) taken.default(argument.default)
  if (argument.parse !== undefined) taken.argParser(argument.parse)
  const shown = runnable(example, around)
  command
    .description(description)
    .addArgument(taken)
    .addHelpText('after', `${remarks}\nFor example:\n  ${shown}`)
    .showHelpAfterError(`For example:\n  ${shown}`)
    .action(async (given, flags) => settle(await (await load())(given as never, flags as never, around)))
  for (const option of await options()) command.addOption(option)
}

/** In words for a person; its code for a program, and for whom reads the log. */
function failed(error: unknown, args: readonly string[], around: HostProcess): number {
  const { stderr, env } = around
  if (error instanceof CommanderError) return error.exitCode === 0 ? EXIT.done : EXIT.usage
  if (error instanceof FetchproofError) {
    const { code, message } = error
    // Names of files and what stands in them are part of it, and may move a terminal's cursor.
    if (isForProgram(args)) stderr.write(`${jsonText({ error: { code, message } })}\n`)
    else {
      const logged = env.FETCHPROOF_LOG === undefined ? [] : [`(${code})`]
      print(around, [`fetchproof: ${visible(message)}`, ...logged], stderr)
    }
    return exitStatusOf(code)
  }
  const told = String(error instanceof Error ? error.stack : error)
  stderr.write(`fetchproof: something unforeseen happened: ${visibleLines(told)}\n`)
  return EXIT.couldNotStart
}

function isForProgram(args: readonly string[]): boolean {
  return args.some((arg, at) => arg === '--format=json' || (arg === '--format' && args[at + 1] === 'json'))
}

function visibleLines(text: string): string {
  return text.split('\n').map(visible).join('\n')
}
