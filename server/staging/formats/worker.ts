/** The worker thread of format checks: one file a message, one answer a file. */
import { parentPort } from 'node:worker_threads'
import { checkFormat } from './check.ts'
import { messageOf } from './fault.ts'
import type { CheckAnswer, CheckRequest } from './messages.ts'

const port = parentPort
if (port !== null) {
  port.on('message', (request: CheckRequest) => {
    answer(request).then(
      (said) => port.postMessage(said),
      (error: unknown) =>
        port.postMessage({ id: request.id, failed: messageOf(error) } satisfies CheckAnswer),
    )
  })
}

async function answer({ id, file, name, limits }: CheckRequest): Promise<CheckAnswer> {
  try {
    return { id, found: await checkFormat(file, name, limits) }
  } catch (error) {
    return { id, failed: messageOf(error) }
  }
}
