/** The worker thread of format checks: one file a message, one answer a file. */
import { parentPort } from 'node:worker_threads'
import { stepBack } from '../step-back.ts'
import type { Watch } from './budget.ts'
import { checkFormat } from './check.ts'
import { messageOf } from './fault.ts'
import type { CheckAnswer, CheckRequest } from './messages.ts'
import { createOwnTime } from './own-time.ts'

const GOES_ON_EVERY_MS = 1_000

const port = parentPort
if (port !== null) {
  stepBack()
  const nowMs = createOwnTime()
  port.on('message', (request: CheckRequest) => {
    let saidMs = performance.now()
    const goesOn = (): void => {
      if (performance.now() - saidMs < GOES_ON_EVERY_MS) return
      saidMs = performance.now()
      port.postMessage({ id: request.id, goesOn: true } satisfies CheckAnswer)
    }
    answer(request, { nowMs, goesOn }).then(
      (said) => port.postMessage(said),
      (error: unknown) =>
        port.postMessage({ id: request.id, failed: messageOf(error) } satisfies CheckAnswer),
    )
  })
}

async function answer({ id, file, name, limits }: CheckRequest, watch: Watch): Promise<CheckAnswer> {
  try {
    return { id, found: await checkFormat(file, name, limits, watch) }
  } catch (error) {
    return { id, failed: messageOf(error) }
  }
}
