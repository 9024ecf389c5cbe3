/** The server that serves a folder at this moment, reached over its loopback API with the token of its lock. */
import { request } from 'undici'
import { FetchproofError } from '../errors.ts'
import { readLock } from '../ledger/lock.ts'

export interface RunningServer {
  /** The JSON that comes back. Throws FP_SERVER_UNREACHABLE, FP_SERVER_REFUSED. */
  ask(method: 'GET' | 'POST', path: string, body?: unknown): Promise<unknown>
}

/** Undefined when nobody serves the folder with these records. */
export async function runningServer(records: string): Promise<RunningServer | undefined> {
  const holder = await readLock(records)
  if (holder === undefined) return undefined
  return {
    async ask(method, path, body) {
      const port = holder.pagePort
      if (port === null)
        throw new FetchproofError('FP_SERVER_UNREACHABLE', { pid: holder.pid, cause: 'it is still starting' })
      const response = await request(`http://127.0.0.1:${port}${path}`, {
        method,
        headers: {
          authorization: `Bearer ${holder.token}`,
          ...(body !== undefined && { 'content-type': 'application/json' }),
        },
        ...(body !== undefined && { body: JSON.stringify(body) }),
      }).catch((error: unknown) => {
        const cause = error instanceof Error ? error.message : String(error)
        throw new FetchproofError('FP_SERVER_UNREACHABLE', { pid: holder.pid, cause }, { cause: error })
      })
      const answer: unknown = await response.body.json().catch(() => undefined)
      if (response.statusCode < 400) return answer
      throw new FetchproofError('FP_SERVER_REFUSED', {
        why: messageIn(answer) ?? `status ${response.statusCode}`,
      })
    },
  }
}

/** The API's errors are `{ "error": { "code", "message" } }`. */
function messageIn(answer: unknown): string | undefined {
  const { error } = (answer ?? {}) as { error?: { message?: unknown } }
  return typeof error?.message === 'string' ? error.message : undefined
}
