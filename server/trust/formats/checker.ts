/**
 * Format checks off the serving path: one process of its own, one file at a time, in order of asking. A check that
 * hangs or takes its process down costs its own verdict and a new process, nothing else.
 */
import { type ChildProcess, fork } from 'node:child_process'
import { once } from 'node:events'
import { builtScript } from '../../files/built-script.ts'
import { DEFAULT_LIMITS, type Limits } from './budget.ts'
import { type CheckedFormat, NOT_CHECKED } from './finding.ts'
import type { CheckAnswer, CheckRequest } from './messages.ts'

/** A check that says nothing for its own limit and this much more hangs; its process is ended. */
const GRACE_MS = 10_000
/** A check needs little; a decoder that asks for more is cut off with its process. */
const HEAP_MIB = 256
/** An idle process holds about 50 MB; starting anew takes about a tenth of a second. */
const IDLE_MS = 10_000

export interface FormatChecker {
  /**
   * Checks the file as an image called `name`. Resolves for every content, with verdict `unknown` and the
   * reason when the check could not be done; rejects only when `signal` aborts, with its reason.
   */
  check(file: string, about: { readonly name: string; readonly signal?: AbortSignal }): Promise<CheckedFormat>
  /** Ends the process; checks under way and waiting resolve as `unknown`. May be called again. */
  close(): Promise<void>
}

interface Job {
  readonly id: number
  readonly file: string
  readonly name: string
  readonly settle: (found: CheckedFormat) => void
}

interface CheckerOptions {
  readonly limits?: Limits
  readonly graceMs?: number
  /** What the process runs, for tests. */
  readonly script?: URL
}

export function createFormatChecker(options: CheckerOptions = {}): FormatChecker {
  const {
    limits = DEFAULT_LIMITS,
    graceMs = GRACE_MS,
    script = builtScript(new URL('./checking-process.js', import.meta.url)),
  } = options
  const waiting: Job[] = []
  let running: { readonly job: Job; readonly timer: NodeJS.Timeout } | undefined
  let checking: ChildProcess | undefined
  let idle: NodeJS.Timeout | undefined
  let lastId = 0
  let closed: Promise<void> | undefined

  function start(): ChildProcess {
    const fresh = fork(script, {
      execArgv: [`--max-old-space-size=${HEAP_MIB}`],
      stdio: ['ignore', 'ignore', 'ignore', 'ipc'],
    })
    fresh.on('message', (answer: CheckAnswer) => {
      if (checking !== fresh || running?.job.id !== answer.id) return
      if ('goesOn' in answer) running.timer.refresh()
      else finish('found' in answer ? answer.found : unchecked(`It could not be read (${answer.failed}).`))
    })
    fresh.on('error', (error) => fail(fresh, `The check broke off (${error.message}).`))
    fresh.on('exit', (code, signal) => fail(fresh, `The check broke off (${signal ?? `exit code ${code}`}).`))
    return fresh
  }

  function fail(failed: ChildProcess, why: string): void {
    if (checking !== failed) return
    checking = undefined
    failed.kill('SIGKILL')
    if (running === undefined) next()
    else finish(unchecked(`${why} Nothing is known about the file.`))
  }

  function finish(found: CheckedFormat): void {
    if (running === undefined) return
    clearTimeout(running.timer)
    const { job } = running
    running = undefined
    job.settle(found)
    next()
  }

  /** An idle process must not keep the program alive, nor its memory for long. */
  function rest(): void {
    hold(checking, false)
    clearTimeout(idle)
    idle = setTimeout(() => {
      checking?.kill('SIGKILL')
      checking = undefined
    }, IDLE_MS)
    idle.unref()
  }

  function next(): void {
    if (running !== undefined) return
    const job = waiting.shift()
    if (job === undefined) {
      rest()
      return
    }
    clearTimeout(idle)
    checking ??= start()
    const used = checking
    hold(used, true)
    const timer = setTimeout(
      () => fail(used, 'The check did not end and was stopped.'),
      limits.timeMs + graceMs,
    )
    running = { job, timer }
    const request: CheckRequest = { id: job.id, file: job.file, name: job.name, limits }
    used.send(request, (error) => {
      if (error !== null) fail(used, `The check could not be begun (${error.message}).`)
    })
  }

  function drop(job: Job): void {
    const place = waiting.indexOf(job)
    if (place >= 0) waiting.splice(place, 1)
    else if (running?.job === job && checking !== undefined) fail(checking, 'The check was stopped.')
  }

  return {
    check(file, { name, signal }) {
      if (closed !== undefined) return Promise.resolve(unchecked('The program is ending.'))
      if (signal?.aborted === true) return Promise.reject(reasonOf(signal))
      return new Promise((resolve, reject) => {
        lastId += 1
        const job: Job = {
          id: lastId,
          file,
          name,
          settle(found) {
            signal?.removeEventListener('abort', onAbort)
            resolve(found)
          },
        }
        function onAbort(): void {
          if (signal !== undefined) reject(reasonOf(signal))
          drop(job)
        }
        signal?.addEventListener('abort', onAbort, { once: true })
        waiting.push(job)
        next()
      })
    },
    close() {
      closed ??= (async () => {
        clearTimeout(idle)
        const last = checking
        checking = undefined
        for (const job of waiting.splice(0)) job.settle(unchecked('The program is ending.'))
        finish(unchecked('The program is ending.'))
        await ended(last)
      })()
      return closed
    },
  }
}

/** Whether this program stays alive for the sake of the process. */
function hold(checking: ChildProcess | undefined, alive: boolean): void {
  if (alive) {
    checking?.ref()
    checking?.channel?.ref()
  } else {
    checking?.unref()
    checking?.channel?.unref()
  }
}

async function ended(checking: ChildProcess | undefined): Promise<void> {
  if (checking === undefined || checking.exitCode !== null || checking.signalCode !== null) return
  const exit = once(checking, 'exit')
  checking.ref()
  checking.kill('SIGKILL')
  await exit
}

function reasonOf(signal: AbortSignal): Error {
  return signal.reason instanceof Error ? signal.reason : new Error('aborted', { cause: signal.reason })
}

function unchecked(why: string): CheckedFormat {
  return { kind: NOT_CHECKED, verdict: 'unknown', detail: why, covers: 'nothing', notes: [] }
}
