/** A lane of digest threads: one job at a time, smallest first, cancellable; idle threads hold nothing up. */
import { Worker } from 'node:worker_threads'
import { createAtMost } from './at-most.ts'
import {
  CHUNK_BYTES,
  CONTROL,
  type DigestAnswer,
  type DigestTask,
  type DigestWorkerData,
  RING_SLOTS,
} from './digest-task.ts'

/** A job that has waited this long goes before smaller ones; looked for at most so often. */
const FAIR_MS = 60_000
const FAIR_CHECK_MS = 1_000
const PROGRESS_MS = 100

type Ask = (
  task: Omit<DigestTask, 'id'>,
  onProgress: (share: number) => void,
) => Promise<readonly DigestAnswer[]>

export interface LaneJob {
  readonly bytes: number
  readonly urgent: boolean
  readonly signal?: AbortSignal
  /** Run when its turn has come; run again when an urgent job set it back. */
  readonly work: (ask: Ask) => Promise<void>
}

export interface LaneOptions {
  readonly workerFile: string
  readonly parts: readonly DigestWorkerData['part'][]
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
  const threads = createThreads(options)
  const oneByOne = createAtMost(1)
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
      return new Promise((done, failed) => {
        const waiting: Waiting = { job, sinceMs: performance.now(), done, failed, setBack: false }
        queue.add(waiting)
        const leave = () => {
          if (queue.remove(waiting)) done()
        }
        job.signal?.addEventListener('abort', leave, { once: true })
        if (job.urgent) setBackOthers()
        pump()
      })
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

interface Threads {
  run(task: Omit<DigestTask, 'id'>, onProgress: (share: number) => void): Promise<readonly DigestAnswer[]>
  cancel(): void
  close(): Promise<void>
}

/** The threads of a lane, started when first needed and again after one broke down. */
function createThreads(options: { workerFile: string; parts: readonly DigestWorkerData['part'][] }): Threads {
  const chunks = options.parts.length > 1 ? RING_SLOTS : 1
  const control = new SharedArrayBuffer(4 * (CONTROL.lengths + RING_SLOTS))
  const words = new Int32Array(control)
  let ring: SharedArrayBuffer | undefined
  let workers: Worker[] = []
  let lastId = 0
  let current:
    | { id: number; receive: (answer: DigestAnswer) => void; broke: (error: Error) => void }
    | undefined

  function start(): void {
    ring ??= new SharedArrayBuffer(chunks * CHUNK_BYTES)
    for (const part of options.parts) {
      const workerData: DigestWorkerData = { part, control, ring }
      const worker = new Worker(options.workerFile, { workerData })
      worker.on('message', (answer: DigestAnswer) => {
        if (answer.id === current?.id) current.receive(answer)
      })
      worker.on('error', (error) => broke(worker, error instanceof Error ? error : new Error(String(error))))
      worker.on('exit', () => broke(worker, new Error('A digest thread ended.')))
      worker.unref()
      workers.push(worker)
    }
  }

  function broke(worker: Worker, error: Error): void {
    if (!workers.includes(worker)) return
    const all = workers
    workers = []
    stop()
    for (const other of all) void other.terminate()
    current?.broke(error)
  }

  function stop(): void {
    Atomics.store(words, CONTROL.cancel, 1)
    Atomics.notify(words, CONTROL.filled)
    Atomics.notify(words, CONTROL.taken)
  }

  return {
    run(task, onProgress) {
      words.fill(0)
      if (workers.length === 0) start()
      lastId += 1
      const id = lastId
      // Two answers in all from `alone` and from the pair, one from `more`; a part that stops early gives one.
      const open = new Map(options.parts.map((part) => [part, part === 'alone' ? 2 : 1]))
      let missing = [...open.values()].reduce((sum, count) => sum + count, 0)
      const answers: DigestAnswer[] = []
      const timer = setInterval(() => {
        if (task.bytes > 0)
          onProgress(Math.min(1, (Atomics.load(words, CONTROL.doneKiB) * 1024) / task.bytes))
      }, PROGRESS_MS)
      timer.unref()
      return new Promise<readonly DigestAnswer[]>((resolve, reject) => {
        current = {
          id,
          receive(answer) {
            answers.push(answer)
            const stopped = !['whole', 'blocks', 'more'].includes(answer.kind)
            missing -= stopped && options.parts[0] === 'alone' ? 2 : 1
            if (missing <= 0) resolve(answers)
          },
          broke: reject,
        }
        for (const worker of workers) worker.ref()
        for (const worker of workers) worker.postMessage({ ...task, id } satisfies DigestTask)
      }).finally(() => {
        clearInterval(timer)
        current = undefined
        for (const worker of workers) worker.unref()
      })
    },
    cancel: () => {
      if (current !== undefined) stop()
    },
    async close() {
      const all = workers
      workers = []
      stop()
      await Promise.all(all.map((worker) => worker.terminate()))
      current?.broke(new Error('Digesting was ended.'))
    },
  }
}
