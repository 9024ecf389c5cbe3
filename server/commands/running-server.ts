/**
 * The server that serves a folder at this moment, reached over its loopback API with the token that the user's own
 * state folder holds. It proves that it knows the token before it is told it: the lock, which names the port, may
 * have come with a borrowed folder.
 */
import { randomBytes } from 'node:crypto'
import { request } from 'undici'
import { isProof } from '../bench/proof.ts'
import { FetchproofError, messageOf } from '../errors.ts'
import { readLock } from '../ledger/lock.ts'
import { readPageToken } from './page-token.ts'

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
      const unreachable = (cause: string, error?: unknown): FetchproofError =>
        new FetchproofError('FP_SERVER_UNREACHABLE', { pid: holder.pid, cause }, { cause: error })
      const token = readPageToken(records)
      if (token === undefined) throw unreachable('its token is not in the state folder of this user')
      const proven = await provesToken(port, token).catch((error: unknown) => {
        throw unreachable(messageOf(error), error)
      })
      if (!proven) throw unreachable('what answers on its port does not know the token of this folder')
      const response = await request(`http://127.0.0.1:${port}${path}`, {
        method,
        headers: {
          authorization: `Bearer ${token}`,
          ...(body !== undefined && { 'content-type': 'application/json' }),
        },
        ...(body !== undefined && { body: JSON.stringify(body) }),
      }).catch((error: unknown) => {
        throw unreachable(messageOf(error), error)
      })
      const answer: unknown = await response.body.json().catch(() => undefined)
      if (response.statusCode < 400) return answer
      throw new FetchproofError('FP_SERVER_REFUSED', {
        why: messageIn(answer) ?? `status ${response.statusCode}`,
      })
    },
  }
}

/** Whether the server on this port knows the token. Rejects when it does not answer. */
export async function provesToken(port: number, token: string): Promise<boolean> {
  const nonce = randomBytes(32).toString('base64url')
  const { statusCode, body } = await request(`http://127.0.0.1:${port}/api/proof?nonce=${nonce}`)
  const answer = (await body.json().catch(() => undefined)) as { proof?: unknown } | undefined
  return statusCode === 200 && isProof(answer?.proof, token, port, nonce)
}

/** The API's errors are `{ "error": { "code", "message" } }`. */
function messageIn(answer: unknown): string | undefined {
  const { error } = (answer ?? {}) as { error?: { message?: unknown } }
  return typeof error?.message === 'string' ? error.message : undefined
}
