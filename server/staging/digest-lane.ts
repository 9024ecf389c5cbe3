/** A lane of digest threads: one job at a time, smallest first, cancellable. */
import { createConcurrencyLimit } from '../files/concurrency-limit.ts'
import { createDigestThreads, type DigestThreadOptions, type DigestThreads } from './digest-threads.ts'

/** A job that has waited this long goes before smaller ones; looked for at most so often. */
const FAIR_MS = 60_000
const FAIR_CHECK_MS = 1_000

type Ask = DigestThreads['run']

interface LaneJob {
  readonly bytes: number
  readonly urgent: boolean
  readonly signal?: AbortSignal
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

export interface Lane {
  /** Settles when the job is done or was cancelled. */
  enqueue(job: LaneJob): Promise<void>
  close(): Promise<void>
}

interface Waiting {
  readonly job: LaneJob
  readonly sinceMs: number
  readonly done: () => void
  readonly failed: (error: unknown) => void
  setBack: boolean
}

export function createLane(options: LaneOptions): Lane {
  const threads = createDigestThreads(options)
  const oneByOne = createConcurrencyLimit(1)
  const queue = createQueue()
  const running = new Map<Waiting, Promise<void>>()
  let withThreads: Waiting | undefined
  let closed = false

  const isStopped = (waiting: Waiting) => closed || waiting.setBack || waiting.job.signal?.aborted === true

  function askFor(waiting: Waiting): Ask {
    return (task, onProgress) =>
      oneByOne(async () => {
        if (isStopped(waiting)) return [{ id: 0, kind: 'cancelled' }]
        withThreads = waiting
        try {
          return await threads.run(task, onProgress)
        } finally {
          withThreads = undefined
        }
      })
  }

  async function run(waiting: Waiting): Promise<void> {
    const { job } = waiting
    const cancel = () => {
      if (withThreads === waiting) threads.cancel()
    }
    job.signal?.addEventListener('abort', cancel, { once: true })
    try {
      await job.work(askFor(waiting))
      if (waiting.setBack && job.signal?.aborted !== true && !closed) {
        waiting.setBack = false
        queue.add(waiting)
      } else waiting.done()
    } catch (error) {
      if (closed) waiting.done()
      else waiting.failed(error)
    } finally {
      job.signal?.removeEventListener('abort', cancel)
      running.delete(waiting)
      pump()
    }
  }

  function pump(): void {
    while (running.size < options.atOnce && !closed) {
      const next = queue.take()
      if (next === undefined) return
      running.set(next, run(next))
    }
  }

  function setBackOthers(): void {
    for (const waiting of running.keys()) {
      if (waiting.job.urgent) continue
      waiting.setBack = true
      if (withThreads === waiting) threads.cancel()
    }
  }

  return {
    enqueue(job) {
      if (closed || job.signal?.aborted === true) return Promise.resolve()
      let leave = (): void => {}
      const over = new Promise<void>((done, failed) => {
        const waiting: Waiting = { job, sinceMs: performance.now(), done, failed, setBack: false }
        queue.add(waiting)
        leave = () => {
          if (queue.remove(waiting)) done()
        }
        job.signal?.addEventListener('abort', leave, { once: true })
        if (job.urgent) setBackOthers()
        pump()
      })
      return over.finally(() => job.signal?.removeEventListener('abort', leave))
    },
    async close() {
      closed = true
      for (let waiting = queue.take(); waiting !== undefined; waiting = queue.take()) waiting.done()
      await threads.close()
      await Promise.all(running.values())
    },
  }
}

interface Queue {
  add(waiting: Waiting): void
  take(): Waiting | undefined
  remove(waiting: Waiting): boolean
}

/** Kept in the order of taking, urgent before background and small before large, so that heaps cost little. */
function createQueue(): Queue {
  const waits: Waiting[] = []
  let fairCheckedMs = 0
  return {
    add(waiting) {
      let from = 0
      let to = waits.length
      while (from < to) {
        const middle = (from + to) >> 1
        const other = waits[middle]
        if (other !== undefined && goesBefore(waiting, other)) to = middle
        else from = middle + 1
      }
      waits.splice(from, 0, waiting)
    },
    take() {
      const nowMs = performance.now()
      if (nowMs - fairCheckedMs < FAIR_CHECK_MS) return waits.shift()
      fairCheckedMs = nowMs
      const first = waits[0]
      const late = waits.filter(
        (one) => one.job.urgent === first?.job.urgent && nowMs - one.sinceMs > FAIR_MS,
      )
      const oldest = late.sort((a, b) => a.sinceMs - b.sinceMs)[0]
      if (oldest === undefined) return waits.shift()
      return waits.splice(waits.indexOf(oldest), 1)[0]
    },
    remove(waiting) {
      const at = waits.indexOf(waiting)
      if (at !== -1) waits.splice(at, 1)
      return at !== -1
    },
  }
}

function goesBefore(a: Waiting, b: Waiting): boolean {
  if (a.job.urgent !== b.job.urgent) return a.job.urgent
  return a.job.bytes < b.job.bytes
}
