/**
 * Format checks off the serving path: one worker thread, one file at a time, in order of asking. A check that
 * hangs or takes the worker down costs its own verdict and a new worker, nothing else.
 */
import { extname } from 'node:path'
import { fileURLToPath } from 'node:url'
import { Worker } from 'node:worker_threads'
import { DEFAULT_LIMITS, type Limits } from './budget.ts'
import { type CheckedFormat, NOT_CHECKED } from './finding.ts'
import type { CheckAnswer } from './messages.ts'

/** A check that says nothing for its own limit and this much more hangs; its worker is ended from outside. */
const GRACE_MS = 10_000
/** A check needs little; a decoder that asks for more is cut off with its worker. */
const WORKER_HEAP_MB = 256
/** An idle worker holds about 15 MB. */
const IDLE_MS = 10_000

export interface FormatChecker {
  /**
   * Checks the file as an image called `name`. Resolves for every content, with verdict `unknown` and the
   * reason when the check could not be done; rejects only when `signal` aborts, with its reason.
   */
  check(file: string, about: { readonly name: string; readonly signal?: AbortSignal }): Promise<CheckedFormat>
  /** Ends the worker; checks under way and waiting resolve as `unknown`. May be called again. */
  close(): Promise<void>
}

interface Job {
  readonly id: number
  readonly file: string
  readonly name: string
  readonly settle: (found: CheckedFormat) => void
}

export interface CheckerOptions {
  readonly limits?: Limits
  readonly graceMs?: number
  /** The worker's script, for tests. */
  readonly script?: URL
}

export function createFormatChecker(options: CheckerOptions = {}): FormatChecker {
  const { limits = DEFAULT_LIMITS, graceMs = GRACE_MS, script = workerScript() } = options
  const waiting: Job[] = []
  let running: { readonly job: Job; readonly timer: NodeJS.Timeout } | undefined
  let worker: Worker | undefined
  let idle: NodeJS.Timeout | undefined
  let lastId = 0
  let closed: Promise<void> | undefined

  function start(): Worker {
    const fresh = new Worker(script, { resourceLimits: { maxOldGenerationSizeMb: WORKER_HEAP_MB } })
    fresh.on('message', (answer: CheckAnswer) => {
      if (worker !== fresh || running?.job.id !== answer.id) return
      if ('goesOn' in answer) running.timer.refresh()
      else finish('found' in answer ? answer.found : unchecked(`It could not be read (${answer.failed}).`))
    })
    fresh.on('error', (error) => fail(fresh, `The check broke off (${error.message}).`))
    fresh.on('exit', () => fail(fresh, 'The check broke off.'))
    return fresh
  }

  function fail(failed: Worker, why: string): void {
    if (worker !== failed) return
    worker = undefined
    void failed.terminate()
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

  /** An idle worker must not keep the program alive, nor its memory for long. */
  function rest(): void {
    worker?.unref()
    clearTimeout(idle)
    idle = setTimeout(() => {
      const idling = worker
      worker = undefined
      void idling?.terminate()
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
    worker ??= start()
    const used = worker
    used.ref()
    const timer = setTimeout(
      () => fail(used, 'The check did not end and was stopped.'),
      limits.timeMs + graceMs,
    )
    running = { job, timer }
    used.postMessage({ id: job.id, file: job.file, name: job.name, limits })
  }

  function drop(job: Job): void {
    const place = waiting.indexOf(job)
    if (place >= 0) waiting.splice(place, 1)
    else if (running?.job === job && worker !== undefined) fail(worker, 'The check was stopped.')
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
        const last = worker
        worker = undefined
        for (const job of waiting.splice(0)) job.settle(unchecked('The program is ending.'))
        finish(unchecked('The program is ending.'))
        await last?.terminate()
      })()
      return closed
    },
  }
}

function reasonOf(signal: AbortSignal): Error {
  return signal.reason instanceof Error ? signal.reason : new Error('aborted', { cause: signal.reason })
}

function unchecked(why: string): CheckedFormat {
  return { kind: NOT_CHECKED, verdict: 'unknown', detail: why, covers: 'nothing', notes: [] }
}

/** Beside this file when built; run from source (tests), the built one, as Node 20 starts no TypeScript worker. */
function workerScript(): URL {
  const built = extname(fileURLToPath(import.meta.url)) === '.js'
  return new URL(built ? './worker.js' : '../../../dist/server/staging/formats/worker.js', import.meta.url)
}
