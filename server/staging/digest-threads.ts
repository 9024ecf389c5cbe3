/** The threads of a lane: started when needed, ended when idle for a while, and replaced when one breaks. */
import { Worker } from 'node:worker_threads'
import {
  CHUNK_BYTES,
  CONTROL,
  type DigestAnswer,
  type DigestTask,
  type DigestWorkerData,
  RING_SLOTS,
} from './digest-task.ts'

const PROGRESS_MS = 100
/** Starting anew takes some tens of milliseconds; an idle thread holds about 15 MB. */
const IDLE_MS = 10_000

export interface DigestThreadOptions {
  /** Built digest-worker.js, absolute. */
  readonly workerFile: string
  readonly parts: readonly DigestWorkerData['part'][]
}

export interface DigestThreads {
  /** One task at a time. Rejects when a thread breaks down. */
  run(task: Omit<DigestTask, 'id'>, onProgress: (share: number) => void): Promise<readonly DigestAnswer[]>
  cancel(): void
  close(): Promise<void>
}

export function createDigestThreads(options: DigestThreadOptions): DigestThreads {
  const chunks = options.parts.length > 1 ? RING_SLOTS : 1
  const control = new SharedArrayBuffer(4 * (CONTROL.lengths + RING_SLOTS))
  const words = new Int32Array(control)
  let ring: SharedArrayBuffer | undefined
  let workers: Worker[] = []
  let lastId = 0
  let idle: NodeJS.Timeout | undefined
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

  function end(): Promise<unknown> {
    const all = workers
    workers = []
    ring = undefined
    return Promise.all(all.map((worker) => worker.terminate()))
  }

  function rest(): void {
    for (const worker of workers) worker.unref()
    idle = setTimeout(end, IDLE_MS)
    idle.unref()
  }

  function broke(worker: Worker, error: Error): void {
    if (!workers.includes(worker)) return
    stop()
    void end()
    current?.broke(error)
  }

  function stop(): void {
    Atomics.store(words, CONTROL.cancel, 1)
    Atomics.notify(words, CONTROL.filled)
    Atomics.notify(words, CONTROL.taken)
  }

  return {
    run(task, onProgress) {
      clearTimeout(idle)
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
        rest()
      })
    },
    cancel: () => {
      if (current !== undefined) stop()
    },
    async close() {
      clearTimeout(idle)
      stop()
      await end()
      current?.broke(new Error('Digesting was ended.'))
    },
  }
}
