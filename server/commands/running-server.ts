/**
 * The server that serves a folder at this moment, reached over its loopback API with the token that the user's own
 * state folder holds. It proves that it knows the token before it is told it: the lock, which names the port, may
 * have come with a borrowed folder.
 */
import { randomBytes } from 'node:crypto'
import { hostname } from 'node:os'
import { setTimeout as pause } from 'node:timers/promises'
import { request } from 'undici'
import { isProof } from '../bench/token-proof.ts'
import { FetchproofError, messageOf } from '../errors.ts'
import { readLock } from '../ledger/lock.ts'
import { pageAddress, readPageToken } from './page-token.ts'

export type RunningServer = NonNullable<Awaited<ReturnType<typeof runningServer>>>

/** Undefined when nobody serves the folder with these records. */
export async function runningServer(records: string) {
  const holder = await readLock(records)
  if (holder === undefined) return undefined
  const { pid, pagePort } = holder

  function unreachable(cause: string, error?: unknown): FetchproofError {
    return new FetchproofError('FP_SERVER_UNREACHABLE', { pid, cause }, { cause: error })
  }

  function failed(error: unknown): never {
    throw unreachable(messageOf(error), error)
  }

  return {
    /** The JSON that comes back. Throws FP_SERVER_UNREACHABLE, FP_SERVER_REFUSED. */
    async ask(method: 'GET' | 'POST', path: string, body?: unknown): Promise<unknown> {
      if (pagePort === null) throw unreachable('it is still starting')
      const token = readPageToken(records)
      if (token === undefined) throw unreachable('its token is not in the state folder of this user')
      const isProven = await provesToken(pagePort, token).catch(failed)
      if (!isProven) throw unreachable('what answers on its port does not know the token of this folder')
      const response = await request(`http://127.0.0.1:${pagePort}${path}`, {
        method,
        headers: { authorization: `Bearer ${token}`, 'content-type': 'application/json' },
        body: body === undefined ? null : JSON.stringify(body),
      }).catch(failed)
      const answer: unknown = await response.body.json().catch(() => undefined)
      if (response.statusCode < 400) return answer
      // The API's errors are `{ "error": { "code", "message" } }`.
      const { error } = (answer ?? {}) as { error?: { message?: string } }
      throw new FetchproofError('FP_SERVER_REFUSED', {
        why: error?.message ?? `status ${response.statusCode}`,
      })
    },
  }
}

/** Whether the server on this port knows the token. Rejects when it does not answer. */
async function provesToken(port: number, token: string): Promise<boolean> {
  const nonce = randomBytes(32).toString('base64url')
  const { statusCode, body } = await request(`http://127.0.0.1:${port}/api/proof?nonce=${nonce}`)
  const answer = (await body.json().catch(() => undefined)) as { proof?: unknown } | undefined
  return statusCode === 200 && isProof(answer?.proof, token, port, nonce)
}

/** A server that was started a moment before is still reading its record. */
const PATIENCE_MS = 10_000

interface ServedPage {
  readonly pid: number
  /** With the token. */
  readonly address: string
}

/**
 * For a second `serve --open` of one folder, as a second double click is. Undefined when nobody on this laptop serves with
 * these records, or does so without a page.
 */
export async function servedPage(records: string): Promise<ServedPage | undefined> {
  for (const deadline = Date.now() + PATIENCE_MS; Date.now() <= deadline; await pause(100)) {
    const holder = await readLock(records)
    if (holder === undefined || holder.host !== hostname()) return undefined
    const { pid, pagePort } = holder
    if (pagePort === null) continue
    const token = readPageToken(records)
    if (token === undefined || !(await provesToken(pagePort, token).catch(() => false))) return undefined
    const page = await request(`http://127.0.0.1:${pagePort}/`).catch(() => undefined)
    await page?.body.dump()
    return page?.statusCode === 200 ? { pid, address: pageAddress(pagePort, token) } : undefined
  }
  return undefined
}
