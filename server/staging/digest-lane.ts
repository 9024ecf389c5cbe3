/** A lane of digest threads: one job at a time, smallest first, cancellable. */
import { createConcurrencyLimit } from '../files/concurrency-limit.ts'
import { createDigestThreads, type DigestThreadOptions, type DigestThreads } from './digest-threads.ts'

/**
 * Small jobs go before large ones, but by no more than this: a job is due so much later for its size. None waits for
 * ever behind later comers.
 */
const BYTES_A_MS = 10_000
const LATEST_MS = 60_000

type Ask = DigestThreads['run']

interface LaneJob {
  readonly bytes: number
  readonly urgent: boolean
  readonly signal?: AbortSignal | undefined
  /** Run when its turn has come; run again when an urgent job set it back. */
  readonly work: (ask: Ask) => Promise<void>
}

interface LaneOptions extends DigestThreadOptions {
  /**
   * Jobs that are begun at once; only one of them is with the threads, the others open and close their files
   * meanwhile. For small files that is most of the time.
   */
  readonly atOnce: number
}

export type Lane = ReturnType<typeof createLane>

interface Waiting {
  readonly job: LaneJob
  readonly dueMs: number
  readonly done: () => void
  readonly failed: (error: unknown) => void
  setBack: boolean
}

export function createLane(options: LaneOptions) {
  // Long: one queue and what of it is running; each function moves jobs between the two.
  const threads = createDigestThreads(options)
  const oneByOne = createConcurrencyLimit(1)
  const queue: Waiting[] = []
  const running = new Map<Waiting, Promise<void>>()
  let withThreads: Waiting | undefined
  let closed = false

  const isOver = (job: LaneJob) => closed || job.signal?.aborted === true

  function askFor(waiting: Waiting): Ask {
    return (task, onProgress) =>
      oneByOne(async () => {
        if (waiting.setBack || isOver(waiting.job)) return { kind: 'cancelled' }
        withThreads = waiting
        try {
          return await threads.run(task, onProgress)
        } finally {
          withThreads = undefined
        }
      })
  }

  async function run(waiting: Waiting): Promise<void> {
    try {
      await waiting.job.work(askFor(waiting))
      if (waiting.setBack && !isOver(waiting.job)) {
        waiting.setBack = false
        insert(queue, waiting)
      } else waiting.done()
    } catch (error) {
      if (closed) waiting.done()
      else waiting.failed(error)
    } finally {
      running.delete(waiting)
      pump()
    }
  }

  function pump(): void {
    while (running.size < options.atOnce && !closed) {
      const next = queue.shift()
      if (next === undefined) return
      running.set(next, run(next))
    }
  }

  function cancel(waiting: Waiting): void {
    const at = queue.indexOf(waiting)
    if (at >= 0) {
      queue.splice(at, 1)
      waiting.done()
    } else if (withThreads === waiting) void threads.cancel()
  }

  function setBackOthers(): void {
    for (const waiting of running.keys()) {
      if (waiting.job.urgent) continue
      waiting.setBack = true
      cancel(waiting)
    }
  }

  return {
    /** Settles when the job is done or was cancelled. */
    enqueue(job: LaneJob): Promise<void> {
      if (isOver(job)) return Promise.resolve()
      let aborted = (): void => {}
      const over = new Promise<void>((done, failed) => {
        const dueMs = performance.now() + Math.min(LATEST_MS, job.bytes / BYTES_A_MS)
        const waiting: Waiting = { job, dueMs, done, failed, setBack: false }
        aborted = () => cancel(waiting)
        job.signal?.addEventListener('abort', aborted, { once: true })
        insert(queue, waiting)
        if (job.urgent) setBackOthers()
        pump()
      })
      return over.finally(() => job.signal?.removeEventListener('abort', aborted))
    },
    async close(): Promise<void> {
      closed = true
      for (const waiting of queue.splice(0)) waiting.done()
      await threads.cancel()
      await Promise.all(running.values())
    },
  }
}

/** Kept in the order of taking, so that heaps cost little: urgent before background, then by when it is due. */
function insert(queue: Waiting[], waiting: Waiting): void {
  let from = 0
  let to = queue.length
  while (from < to) {
    const middle = (from + to) >> 1
    const other = queue[middle]
    if (other !== undefined && goesBefore(waiting, other)) to = middle
    else from = middle + 1
  }
  queue.splice(from, 0, waiting)
}

function goesBefore(a: Waiting, b: Waiting): boolean {
  return a.job.urgent === b.job.urgent ? a.dueMs < b.dueMs : a.job.urgent
}
