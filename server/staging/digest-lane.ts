/** A lane of digest threads: one job at a time, smallest first, cancellable; idle threads hold nothing up. */
import { Worker } from 'node:worker_threads'
import {
  CHUNK_BYTES,
  CONTROL,
  type DigestAnswer,
  type DigestTask,
  type DigestWorkerData,
  RING_SLOTS,
} from './digest-task.ts'

/** A job that has waited this long goes before smaller ones. */
const FAIR_MS = 60_000
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
}

export function createLane(options: {
  workerFile: string
  parts: readonly DigestWorkerData['part'][]
}): Lane {
  const threads = createThreads(options)
  const queue: Waiting[] = []
  let running: Waiting | undefined
  let work: Promise<void> = Promise.resolve()
  let setBack = false
  let closed = false

  function pump(): void {
    if (running !== undefined || closed) return
    const next = takeNext(queue)
    if (next === undefined) return
    running = next
    setBack = false
    const cancel = () => threads.cancel()
    next.job.signal?.addEventListener('abort', cancel, { once: true })
    const ask: Ask = async (task, onProgress) => {
      if (next.job.signal?.aborted === true || setBack || closed) return [{ id: 0, kind: 'cancelled' }]
      return threads.run(task, onProgress)
    }
    work = next.job
      .work(ask)
      .then(
        () => {
          if (setBack && next.job.signal?.aborted !== true && !closed) queue.push(next)
          else next.done()
        },
        (error) => (closed ? next.done() : next.failed(error)),
      )
      .finally(() => {
        next.job.signal?.removeEventListener('abort', cancel)
        running = undefined
        pump()
      })
  }

  return {
    enqueue(job) {
      if (closed || job.signal?.aborted === true) return Promise.resolve()
      return new Promise((done, failed) => {
        const waiting: Waiting = { job, sinceMs: performance.now(), done, failed }
        queue.push(waiting)
        job.signal?.addEventListener(
          'abort',
          () => {
            const at = queue.indexOf(waiting)
            if (at === -1) return
            queue.splice(at, 1)
            done()
          },
          { once: true },
        )
        if (job.urgent && running?.job.urgent === false) {
          setBack = true
          threads.cancel()
        }
        pump()
      })
    },
    async close() {
      closed = true
      for (const waiting of queue.splice(0)) waiting.done()
      await threads.close()
      await work
    },
  }
}

function takeNext(queue: Waiting[]): Waiting | undefined {
  const nowMs = performance.now()
  let best = 0
  for (let at = 1; at < queue.length; at += 1) {
    if (goesBefore(queue[at] as Waiting, queue[best] as Waiting, nowMs)) best = at
  }
  return queue.splice(best, 1)[0]
}

function goesBefore(a: Waiting, b: Waiting, nowMs: number): boolean {
  if (a.job.urgent !== b.job.urgent) return a.job.urgent
  const aWaits = nowMs - a.sinceMs > FAIR_MS
  const bWaits = nowMs - b.sinceMs > FAIR_MS
  if (aWaits || bWaits) return aWaits && (!bWaits || a.sinceMs < b.sinceMs)
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
