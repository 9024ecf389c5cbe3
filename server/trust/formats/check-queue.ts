/**
 * Format checks off the serving path: one process of its own, one file at a time, in order of asking. A check that
 * hangs or takes its process down costs its own verdict and a new process, nothing else.
 */
import { type ChildProcess, fork } from 'node:child_process'
import { once } from 'node:events'
import { builtScript } from '../../files/built-script.ts'
import { createConcurrencyLimit } from '../../files/concurrency-limit.ts'
import { DEFAULT_LIMITS } from './budget.ts'
import type { CheckAnswer, CheckRequest } from './check-process.ts'
import { type CheckedFormat, NOT_CHECKED, notSound } from './format-finding.ts'

/** A check that says nothing for its own limit and this much more hangs; its process is ended. */
const GRACE_MS = 10_000
/** A check needs little; a decoder that asks for more is cut off with its process. */
const HEAP_MIB = 256
/** An idle process holds about 50 MB; starting anew takes about a tenth of a second. */
const IDLE_MS = 10_000
const ENDING = 'The program is ending.'

export type FormatChecker = ReturnType<typeof createFormatChecker>

/** `script`: what the process runs. */
export function createFormatChecker({
  limits = DEFAULT_LIMITS,
  graceMs = GRACE_MS,
  script = builtScript(new URL('./check-process.js', import.meta.url)),
} = {}) {
  // Long: one process's life: started, asked, ended, broken off.
  const oneByOne = createConcurrencyLimit(1)
  let checking: ChildProcess | undefined
  let underWay:
    | { readonly finish: (found: CheckedFormat) => void; readonly timer: NodeJS.Timeout }
    | undefined
  let idle: NodeJS.Timeout | undefined
  let closed: Promise<void> | undefined

  function start(): ChildProcess {
    const fresh = fork(script, {
      execArgv: [`--max-old-space-size=${HEAP_MIB}`],
      stdio: ['ignore', 'ignore', 'ignore', 'ipc'],
    })
    fresh.on('message', (answer: CheckAnswer) => {
      if (checking !== fresh) return
      if ('goesOn' in answer) underWay?.timer.refresh()
      else if ('found' in answer) underWay?.finish(answer.found)
      else underWay?.finish(unchecked(`It could not be read (${answer.failed}).`))
    })
    fresh.on('error', (error) => fail(fresh, `The check broke off (${error.message}).`))
    fresh.on('exit', (code, signal) => fail(fresh, `The check broke off (${signal ?? `exit code ${code}`}).`))
    return fresh
  }

  function fail(failed: ChildProcess, why: string): void {
    if (checking !== failed) return
    checking = undefined
    failed.kill('SIGKILL')
    underWay?.finish(unchecked(`${why} Nothing is known about the file.`))
  }

  async function checkNow(file: string, name: string): Promise<CheckedFormat> {
    if (closed !== undefined) return unchecked(ENDING)
    clearTimeout(idle)
    checking ??= start()
    const used = checking
    hold(used, true)
    const tooLate = () => fail(used, 'The check did not end and was stopped.')
    const timer = setTimeout(tooLate, limits.timeMs + graceMs)
    try {
      return await new Promise<CheckedFormat>((finish) => {
        underWay = { finish, timer }
        used.send({ file, name, limits } satisfies CheckRequest, (error) => {
          if (error !== null) fail(used, `The check could not be begun (${error.message}).`)
        })
      })
    } finally {
      clearTimeout(timer)
      underWay = undefined
      rest()
    }
  }

  /** An idle process must not keep the program alive, nor its memory for long. */
  function rest(): void {
    hold(checking, false)
    idle = setTimeout(() => {
      checking?.kill('SIGKILL')
      checking = undefined
    }, IDLE_MS)
    idle.unref()
  }

  async function end(): Promise<void> {
    clearTimeout(idle)
    const last = checking
    checking = undefined
    underWay?.finish(unchecked(ENDING))
    await ended(last)
  }

  return {
    /** Checks the file as an image called `name`. `unknown`, with the reason, when the check could not be done. */
    check: (file: string, { name }: { readonly name: string }): Promise<CheckedFormat> =>
      oneByOne(() => checkNow(file, name)),
    /** Ends the process; checks under way and waiting resolve as `unknown`. May be called again. */
    close(): Promise<void> {
      closed ??= end()
      return closed
    },
  }
}

/** Whether this program stays alive for the sake of the process. */
function hold(checking: ChildProcess | undefined, alive: boolean): void {
  const act = alive ? 'ref' : 'unref'
  checking?.[act]()
  checking?.channel?.[act]()
}

async function ended(checking: ChildProcess | undefined): Promise<void> {
  if (checking === undefined || checking.exitCode !== null || checking.signalCode !== null) return
  const exit = once(checking, 'exit')
  checking.ref()
  checking.kill('SIGKILL')
  await exit
}

function unchecked(why: string): CheckedFormat {
  return notSound(NOT_CHECKED, 'unknown', why)
}
