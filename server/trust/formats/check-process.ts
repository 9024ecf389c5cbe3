/**
 * The process that checks formats: one file a message, one answer a file. A process of its own, since the thread
 * pool in which zlib unpacks is one for a whole process, and since a process can step back for serving on every
 * system.
 */
import { constants, setPriority } from 'node:os'
import { messageOf } from '../../errors.ts'
import type { Limits, Stopwatch } from './budget.ts'
import { checkFormat } from './file-check.ts'
import type { CheckedFormat } from './format-finding.ts'
import { createPace, processorMs } from './pace.ts'

export interface CheckRequest {
  readonly file: string
  readonly name: string
  readonly limits: Limits
}

export type CheckAnswer =
  /** Nothing yet, but the check goes on. */
  | { readonly goesOn: true }
  | { readonly found: CheckedFormat }
  /** The file could not be opened or read. */
  | { readonly failed: string }

const { PRIORITY_BELOW_NORMAL, PRIORITY_LOW } = constants.priority
const GOES_ON_EVERY_MS = 1_000
/** A check that computes hears nothing; where the system gives orphans another parent, it sees that it has become one. */
const PARENT = process.ppid

// Runs only where check-queue.ts started it.
if (process.send !== undefined) {
  lowerPriority()
  // Ctrl-C reaches every process of a terminal; the one that serves says when this one ends.
  process.on('SIGINT', () => undefined)
  process.on('disconnect', () => process.exit())
  process.on('message', (request: CheckRequest) => {
    void answer(request).then(say)
  })
}

async function answer({ file, name, limits }: CheckRequest): Promise<CheckAnswer> {
  try {
    return { found: await checkFormat(file, name, limits, createStopwatch()) }
  } catch (error) {
    return { failed: messageOf(error) }
  }
}

/** Its time is what it has had of the processor, so that stepping back does not make it run out of time. */
function createStopwatch(): Stopwatch {
  let saidMs = performance.now()
  const pace = createPace()
  return {
    nowMs: processorMs,
    goesOn() {
      pace()
      if (performance.now() - saidMs < GOES_ON_EVERY_MS) return
      saidMs = performance.now()
      if (process.ppid !== PARENT) process.exit()
      say({ goesOn: true })
    },
  }
}

function say(answered: CheckAnswer): void {
  process.send?.(answered)
}

function lowerPriority(): void {
  try {
    // Windows starves its lowest class whenever anything else runs; others give it a little.
    setPriority(process.platform === 'win32' ? PRIORITY_BELOW_NORMAL : PRIORITY_LOW)
  } catch {
    // Refused by the system: serving is slower meanwhile, and the check is done all the same.
  }
}
